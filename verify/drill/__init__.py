"""What surrounds the load: quantities, record folder, marks, and the order of the steps."""
