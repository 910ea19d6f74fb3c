"""The line in pictures of a fast camera, and its tip."""
