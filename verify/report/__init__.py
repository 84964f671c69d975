"""What is told of a judgement: on the terminal, as JSON and as CSV."""
