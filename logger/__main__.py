"""`python -m logger`, for child processes that must run in this very interpreter."""

from logger.cli import main

if __name__ == "__main__":
    main()
