"""`python -m sequencer` is the command."""

from sequencer.start import main

if __name__ == "__main__":
    main()
