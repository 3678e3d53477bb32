"""The developed blank: faces along bend lines, unfolded by what each bend takes up."""
