"""The photo check: whether a photo is fit to be measured in, and what to change."""
