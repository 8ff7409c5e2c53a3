"""Where the sample pictures lie: beside the sources, or inside the installed package."""

from pathlib import Path


def sample_folder() -> Path:
    """Return the folder of the sample pictures and their ``truth.json``.

    Raises
    ------
    FileNotFoundError
        If the program was installed without them.

    """
    here = Path(__file__).resolve().parent
    for folder in (here / "sample_images", here.parent / "sample_images"):
        if (folder / "truth.json").is_file():
            return folder
    raise FileNotFoundError("the sample pictures were not installed with the program")
