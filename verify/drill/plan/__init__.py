"""The plan of a drill: what is asked for, read from a TOML file and checked whole."""
