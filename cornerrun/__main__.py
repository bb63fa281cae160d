"""``python -m cornerrun`` is the command ``cornerrun``, where its script is not on the path."""

from cornerrun.cli.main import main

if __name__ == "__main__":
    main()
