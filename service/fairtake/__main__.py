"""``python -m fairtake``"""

from fairtake.cli import main

if __name__ == "__main__":
    main()
