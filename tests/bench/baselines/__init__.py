"""What figures stand beside: the plainest program that does the same, in at most 30 lines, with nothing of ours."""
