"""What is read: photos, widths, gaps, scores, and the advice that follows from them."""
