"""What is printed: 1:1 templates on pages of any size, and the job sheet."""
