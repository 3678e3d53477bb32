"""In which order to bend a blank with a given tool, or why that cannot be done."""
