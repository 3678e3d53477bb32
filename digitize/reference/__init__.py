"""What a photo without a printed target can be measured by: rules, paper, known lengths."""
