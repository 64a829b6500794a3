"""Write the sample studies: ``python -m accstudy.simulate FOLDER``."""

import sys
from pathlib import Path

from accstudy.simulate.studies import write_samples

if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: python -m accstudy.simulate FOLDER")
    for path in write_samples(Path(sys.argv[1])):
        print(path)
