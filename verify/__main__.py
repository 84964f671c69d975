"""`python -m verify` is the same as `ackproof`."""

from verify.commands.main import main

if __name__ == "__main__":
    main()
