"""The load: streams and their schedule, lanes, and the processes that drive them."""
