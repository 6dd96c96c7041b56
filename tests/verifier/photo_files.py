"""Photo files made for tests: four flat quarters, so that each turn and mirror shows, in any format and mode."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image

WIDTH, HEIGHT = 1200, 900
RED, GREEN, BLUE, WHITE = (200, 30, 30), (30, 160, 30), (30, 30, 200), (230, 230, 230)


def quarters() -> Image.Image:
    """Red and green above blue and white."""
    picture = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    picture[: HEIGHT // 2, : WIDTH // 2], picture[: HEIGHT // 2, WIDTH // 2 :] = RED, GREEN
    picture[HEIGHT // 2 :, : WIDTH // 2], picture[HEIGHT // 2 :, WIDTH // 2 :] = BLUE, WHITE
    return Image.fromarray(picture)


def textured(width: int = WIDTH, height: int = HEIGHT, seed: int = 1) -> Image.Image:
    """Soft noise, as a pavement has: a file whose every byte matters."""
    noise = np.random.default_rng(seed).integers(0, 255, (height // 4, width // 4, 3), dtype=np.uint8)
    return Image.fromarray(noise).resize((width, height), Image.Resampling.BILINEAR)


def exif_block(orientation: int = 1) -> bytes:
    """Capture facts as a phone writes them."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0131], exif[0x0112] = "Testcam", "Q-3", "7.1", orientation
    exif.get_ifd(0x8769).update(
        {
            0x9003: "2031:05:04 02:03:04", 0x9291: "125", 0x9011: "-05:30", 0xA434: "Q-3 back camera 5.7mm f/1.8",
            0x920A: 5.7, 0xA405: 26, 0xA404: 2.0,
        }
    )  # fmt: skip
    exif.get_ifd(0x8825).update(
        {
            1: "S", 2: (1.0, 30.0, 36.0), 3: "W", 4: (30.0, 15.0, 0.0),
            7: (7.0, 33.0, 4.5), 0x1D: "2031:05:04", 0x1F: 4.25,
        }
    )  # fmt: skip
    return exif.tobytes()


def saved(picture: Image.Image, kind: str = "JPEG", **options: object) -> bytes:
    """The picture as a file's bytes."""
    file = io.BytesIO()
    picture.save(file, kind, **options)
    return file.getvalue()


def corner_colours(colour: NDArray[np.uint8]) -> list[tuple[int, int, int]]:
    """Colours (red, green, blue) well inside the four quarters: upper left, upper right, lower left, lower right."""
    height, width = colour.shape[:2]
    places = [(y, x) for y in (height // 4, 3 * height // 4) for x in (width // 4, 3 * width // 4)]
    return [(int(colour[y, x, 2]), int(colour[y, x, 1]), int(colour[y, x, 0])) for y, x in places]
