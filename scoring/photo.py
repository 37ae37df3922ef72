"""A photo as it is shown: decoded, upright, within size limits; and its way into linear light."""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError
from PIL.JpegImagePlugin import jpeg_factory

from padsheet.patterns.errors import PadsheetError

__all__ = [
    "Photo",
    "begin_reading",
    "decode_photo",
    "jpeg_bytes",
    "linear_light",
    "read_photo",
    "srgb_to_linear",
    "upright",
]

LARGEST_PIXELS = 200_000_000
SMALLEST_SIDE = 600
_ORIENTATION_TAG, _UPSIDE_DOWN = 0x0112, 3
_FOCAL_35MM_TAG = 0xA405
_EXIF_IFD = 0x8769
# A work copy is not reduced below this side, at which markers are looked for.
_WORK_SIDE = 1800
_FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "HEIF", "MPO")


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A decoded photo.

    Attributes
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)
        sRGB codes, as a viewer shows the photo (EXIF orientation applied).
    focal_35mm : float or None
        Focal length in terms of 35 mm film, if the file tells it.
    name : str
        File name, for messages.
    work : ndarray of uint8 or None
        The same picture at a half, a quarter or an eighth of the size, if it is that large.
    """

    rgb: NDArray[np.uint8]
    focal_35mm: float | None = None
    name: str = "photo"
    work: NDArray[np.uint8] | None = None

    def shrunk(self, side: int) -> tuple[NDArray[np.uint8], float]:
        """Return the picture with its longer side at most `side`, and its scale.

        Parameters
        ----------
        side : int
            In pixels; a picture that is smaller comes back as it is.
        """
        full = max(self.rgb.shape[:2])
        scale = min(1.0, side / full)
        source = self.rgb if self.work is None or max(self.work.shape[:2]) < side else self.work
        source = _halved(source, side)
        size = (round(self.rgb.shape[1] * scale), round(self.rgb.shape[0] * scale))
        if size == source.shape[1::-1]:
            return source, scale
        small = cv2.resize(source, size, interpolation=cv2.INTER_LINEAR)
        return np.asarray(small, np.uint8), scale


def srgb_to_linear(value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Undo the sRGB curve (IEC 61966-2-1:1999).

    Parameters
    ----------
    value : ndarray of float, any shape
        Encoded values, 0 to 1.

    Examples
    --------
    >>> float(np.round(srgb_to_linear(np.array([10 / 255])), 10)[0])
    0.0030352698
    """
    v = np.asarray(value, float)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


@cache
def _table() -> NDArray[np.float32]:
    return srgb_to_linear(np.arange(256) / 255).astype(np.float32)


def linear_light(codes: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return linear light, 0 to 1, of 8-bit sRGB codes of any shape."""
    return np.asarray(cv2.LUT(codes, _table()), np.float32)


def upright(stored: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Turn a stored picture the way the EXIF orientation says (CIPA DC-008, tag 0x0112).

    Parameters
    ----------
    stored : ndarray, shape (rows, columns, ...)
        Pixels in the order of the file.
    orientation : int
        1 to 8; anything else counts as 1.
    """
    turn = _TURNS.get(orientation)
    return np.ascontiguousarray(stored if turn is None else turn(stored))


# OpenCV turns in blocks that fit the processor's cache, four times faster than a strided copy.
_TURNS: dict[int, Callable[[NDArray[np.uint8]], NDArray[np.uint8]]] = {
    2: lambda a: np.asarray(cv2.flip(a, 1), np.uint8),
    3: lambda a: np.asarray(cv2.rotate(a, cv2.ROTATE_180), np.uint8),
    4: lambda a: np.asarray(cv2.flip(a, 0), np.uint8),
    5: lambda a: np.asarray(cv2.transpose(a), np.uint8),
    6: lambda a: np.asarray(cv2.rotate(a, cv2.ROTATE_90_CLOCKWISE), np.uint8),
    7: lambda a: np.asarray(cv2.transpose(cv2.rotate(a, cv2.ROTATE_180)), np.uint8),
    8: lambda a: np.asarray(cv2.rotate(a, cv2.ROTATE_90_COUNTERCLOCKWISE), np.uint8),
}


def _unreadable(name: str, detail: str) -> PadsheetError:
    return PadsheetError(
        f"{name} cannot be read as a photo: {detail}",
        remedy="Give a JPEG, PNG, TIFF, WebP or HEIC file straight from the phone.",
        code="photo-unreadable",
    )


def _is_heif(data: bytes) -> bool:
    return data[4:8] == b"ftyp" and data[8:12] in (
        b"heic",
        b"heix",
        b"hevc",
        b"heim",
        b"heis",
        b"mif1",
        b"msf1",
        b"avif",
    )


def _header(data: bytes) -> Image.Image:
    """Read what comes before the pixels; of a JPEG without loading the readers of other formats."""
    if data.startswith(b"\xff\xd8\xff"):
        return jpeg_factory(io.BytesIO(data))
    return Image.open(io.BytesIO(data))


def _open(data: bytes, name: str) -> Image.Image:
    """Read the header only, and refuse what would decode too large or too small."""
    if not data:
        raise PadsheetError(
            f"{name} is empty", remedy="Copy the photo from the phone again.", code="photo-empty"
        )
    if _is_heif(data):
        from pillow_heif import register_heif_opener

        register_heif_opener()
    try:
        with warnings.catch_warnings():
            # The size is checked below, with a limit of our own.
            warnings.simplefilter("ignore")
            picture = _header(data)
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, EOFError) as error:
        raise _unreadable(name, "it is no picture, or cut off") from error
    except Image.DecompressionBombError as error:
        raise _too_large(name) from error
    if picture.format not in _FORMATS:
        raise _unreadable(name, f"the format {picture.format} is not one that phones write")
    if picture.width * picture.height > LARGEST_PIXELS:
        raise _too_large(name)
    if min(picture.size) < SMALLEST_SIDE:
        raise PadsheetError(
            f"{name} has only {picture.width} x {picture.height} pixels",
            remedy="Send the photo in full size; a line must be several pixels wide.",
            code="photo-small",
        )
    return picture


def _too_large(name: str) -> PadsheetError:
    return PadsheetError(
        f"{name} would decode to more than 200 megapixels",
        remedy="Give the photo as the phone took it, at most 200 megapixels.",
        code="photo-large",
    )


def _metadata(picture: Image.Image) -> tuple[int, float | None]:
    """Return EXIF orientation and 35 mm focal length; broken metadata counts as none."""
    try:
        exif = picture.getexif()
        orientation = exif.get(_ORIENTATION_TAG, 1)
        focal = exif.get_ifd(_EXIF_IFD).get(_FOCAL_35MM_TAG)
        focal_35mm = float(focal) if focal is not None else None
    except Exception:  # Pillow raises many kinds on hostile EXIF; none of them matters here
        return 1, None
    plausible = focal_35mm is not None and 10 <= focal_35mm <= 200
    return (
        orientation if isinstance(orientation, int) else 1,
        focal_35mm if plausible else None,
    )


def _decode_with_pillow(picture: Image.Image, name: str) -> NDArray[np.uint8]:
    """Decode whatever OpenCV does not: HEIC, palettes, CMYK, 16 bits, transparency."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if picture.mode.startswith(("I", "F")):
                values = np.asarray(picture, np.float64)
                top = 65535.0 if values.max() > 255 else 255.0
                grey = np.clip(values / top * 255, 0, 255).astype(np.uint8)
                return np.repeat(grey[..., None], 3, axis=2)
            return np.asarray(picture.convert("RGB"))
    except (OSError, ValueError, SyntaxError, EOFError, MemoryError) as error:
        raise _unreadable(name, "it is damaged or cut off") from error


def decode_photo(data: bytes, name: str = "photo") -> Photo:
    """Decode a photo's bytes.

    Parameters
    ----------
    data : bytes
        A JPEG, PNG, TIFF, WebP or HEIC file.
    name : str
        File name, for messages.

    Raises
    ------
    PadsheetError
        If the bytes are no whole picture, or one too large or too small.
    """
    picture = _open(data, name)
    orientation, focal = _metadata(picture)
    rgb = _decoded(data, picture, orientation, name)
    work = _halved(rgb, _WORK_SIDE)
    return Photo(rgb=rgb, focal_35mm=focal, name=name, work=None if work is rgb else work)


def _decoded(data: bytes, picture: Image.Image, orientation: int, name: str) -> NDArray[np.uint8]:
    """Decode in full, upright."""
    if picture.format == "HEIF":
        # Its decoder has already turned the picture upright.
        return _decode_with_pillow(picture, name)
    if picture.format in ("JPEG", "MPO") and picture.mode == "RGB":
        # A cut-off JPEG decodes to grey in OpenCV; its end mark tells.
        if b"\xff\xd9" not in data[-65536:]:
            raise _unreadable(name, "it is cut off")
        rgb = _decode_jpeg(data, orientation)
        if rgb is None:
            raise _unreadable(name, "it is damaged")
        return rgb
    return upright(_decode_with_pillow(picture, name), orientation)


def _decode_jpeg(data: bytes, orientation: int) -> NDArray[np.uint8] | None:
    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    stored = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if stored is None:
        return None
    if orientation == _UPSIDE_DOWN:
        # In place: a second picture of this size would only cost time and memory.
        return np.asarray(cv2.flip(stored, -1, stored), np.uint8)
    return upright(np.asarray(stored, np.uint8), orientation)


def jpeg_bytes(rgb: NDArray[np.uint8], quality: int) -> bytes:
    """Encode a picture as a JPEG.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (M, N, 3)
    quality : int
        1 to 100.

    Raises
    ------
    ValueError
        If no JPEG can be made of a picture of that shape.
    """
    done, data = cv2.imencode(
        ".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    if not done:
        raise ValueError(f"no JPEG can be made of a picture of the shape {rgb.shape}")
    return data.tobytes()


def _halved(rgb: NDArray[np.uint8], side: int) -> NDArray[np.uint8]:
    """Halve a picture for as long as its longer side stays at `side` or above.

    Means of four pixels are what OpenCV shrinks by in a tenth of the time of any other ratio.
    """
    while max(rgb.shape[:2]) >= 2 * side:
        size = (rgb.shape[1] // 2, rgb.shape[0] // 2)
        rgb = np.asarray(
            cv2.resize(rgb[: 2 * size[1], : 2 * size[0]], size, interpolation=cv2.INTER_AREA),
            np.uint8,
        )
    return rgb


_BEGUN: dict[Path, Future[Photo]] = {}


def begin_reading(paths: Sequence[Path]) -> None:
    """Begin to read photos in the background; `read_photo` then waits for them.

    Decoding is done in C and leaves Python free to import what comes after it. An error is raised
    where the photo is asked for.
    """
    pool = ThreadPoolExecutor(1)
    for path in dict.fromkeys(paths):
        _BEGUN[path] = pool.submit(_read, path)
    pool.shutdown(wait=False)


def read_photo(path: Path) -> Photo:
    """Read and decode a photo file.

    Raises
    ------
    PadsheetError
        If the file is missing or cannot be decoded.
    """
    begun = _BEGUN.pop(path, None)
    return _read(path) if begun is None else begun.result()


def _read(path: Path) -> Photo:
    try:
        data = path.read_bytes()
    except FileNotFoundError as error:
        where = "" if path.is_absolute() else f" in {Path.cwd()}"
        raise PadsheetError(
            f"there is no photo {path}{where}",
            remedy="Check the name and the folder.",
            code="photo-missing",
        ) from error
    except OSError as error:
        raise PadsheetError(
            f"the photo {path} cannot be opened ({error.strerror})",
            remedy="Give the path of a photo file that you may read.",
            code="photo-unreadable",
        ) from error
    return decode_photo(data, path.name)
