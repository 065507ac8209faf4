"""What a root's files say, read with all problems at once, and where its folders are."""
