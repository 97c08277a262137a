"""What is read and printed: the job card on paper, the pages of help."""
