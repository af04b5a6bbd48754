"""`python -m sequencer` is the command."""

from sequencer.cli import main

if __name__ == "__main__":
    main()
