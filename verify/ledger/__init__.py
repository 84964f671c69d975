"""The record of every acknowledgement: frame format, recorder and reader."""
