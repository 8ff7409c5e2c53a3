"""Pictures that leave the practice: small, without metadata, faces blurred unless a person chose otherwise."""

import io
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from PIL import Image, ImageDraw, ImageFilter

from vision import draw
from vision.landmarks import Landmark, Landmarks
from vision.photo import Photo
from vision.rotation import Rotation

HEAD = ("nose", "ear_left", "ear_right")
# radius of the blurred disc in trunk lengths: a head is about 0.23 m tall on a trunk of about 0.5 m (ANSUR II, C),
# so half of it with as much again for hair and doubt
HEAD_RADIUS_TRUNKS = 0.45
SMALLEST_SHARE = 0.06  # of the longer edge, when the trunk is foreshortened


def face_disc(points: Mapping[str, Landmark], width: int, height: int) -> tuple[float, float, float] | None:
    """Return centre and radius, pixels, of the disc that covers the head; None if the head was not found.

    Parameters
    ----------
    points
        Landmarks, pixels of the picture.
    width, height
        Size of the picture, pixels.

    """
    head = [points[name] for name in HEAD if name in points]
    if not head:
        return None
    x = float(np.mean([p.x for p in head]))
    y = float(np.mean([p.y for p in head]))
    spread = max(((p.x - x) ** 2 + (p.y - y) ** 2) ** 0.5 for p in head)
    doubt = 2 * max(p.sd_px for p in head)
    trunk = 0.0
    if all(f"{a}_{s}" in points for a in ("acromion", "hip_joint") for s in ("left", "right")):
        ends = [
            np.array(
                [
                    (points[f"{a}_left"].x + points[f"{a}_right"].x) / 2,
                    (points[f"{a}_left"].y + points[f"{a}_right"].y) / 2,
                ]
            )
            for a in ("acromion", "hip_joint")
        ]
        trunk = float(np.linalg.norm(ends[0] - ends[1]))
    radius = max(HEAD_RADIUS_TRUNKS * trunk, SMALLEST_SHARE * max(width, height), spread) + doubt
    return x, y, radius


def blur_face(picture: Image.Image, points: Mapping[str, Landmark]) -> Image.Image | None:
    """Return a copy with the head made unrecognisable, or None if the head was not found.

    The disc is reduced to a handful of pixels and blurred on top, which cannot be undone.
    """
    disc = face_disc(points, picture.width, picture.height)
    if disc is None:
        return None
    x, y, r = disc
    box = (max(0, int(x - r)), max(0, int(y - r)), min(picture.width, int(x + r)), min(picture.height, int(y + r)))
    if box[2] <= box[0] or box[3] <= box[1]:
        return picture.copy()  # the head lies outside of the picture
    part = picture.crop(box)
    coarse = part.resize((5, 5), Image.Resampling.BOX).resize(part.size, Image.Resampling.BICUBIC)
    coarse = coarse.filter(ImageFilter.GaussianBlur(max(part.size) / 12))
    mask = Image.new("L", part.size, 0)
    ImageDraw.Draw(mask).ellipse((x - r - box[0], y - r - box[1], x + r - box[0], y + r - box[1]), fill=255)
    result = picture.copy()
    result.paste(coarse, box[:2], mask)
    return result


def _around_person(
    picture: Image.Image, points: Mapping[str, Landmark], margin: float = 0.3
) -> tuple[Image.Image, dict[str, Landmark]]:
    """Return the part of the picture around the person, 4:3 where the picture allows, and the points in it."""
    if len(points) < 2:
        return picture, dict(points)
    xs, ys = [p.x for p in points.values()], [p.y for p in points.values()]
    span = max(max(xs) - min(xs), (max(ys) - min(ys)) * 4 / 3) * (1 + 2 * margin)
    width = min(max(span, 0.4 * picture.width), picture.width, picture.height * 4 / 3)
    height = width * 3 / 4
    left = min(max((min(xs) + max(xs) - width) / 2, 0), picture.width - width)
    top = min(max((min(ys) + max(ys) - height) / 2, 0), picture.height - height)
    left, top = int(left), int(top)
    part = picture.crop((left, top, left + int(width), top + int(height)))
    return part, {name: replace(p, x=p.x - left, y=p.y - top) for name, p in points.items()}


def report_picture(
    shown_jpeg: bytes,
    points: Mapping[str, Landmark],
    full_width: int,
    rotation: Rotation | None,
    *,
    blur: bool,
    width_px: int = 420,
) -> bytes | None:
    """Return a small JPEG with the lines drawn, or None if a face should be blurred but none was found.

    Parameters
    ----------
    shown_jpeg
        The upright copy without metadata.
    points
        Landmarks in pixels of the full photo.
    full_width
        Width of the full photo, pixels.
    rotation
        Drawn as a wedge if given.
    blur
        Whether the face must be unrecognisable.
    width_px
        Width of the result, pixels.

    """
    picture = Image.open(io.BytesIO(shown_jpeg)).convert("RGB")
    scale = picture.width / full_width
    placed = {
        name: replace(
            p, x=p.x * scale, y=p.y * scale, cov=(p.cov[0] * scale**2, p.cov[1] * scale**2, p.cov[2] * scale**2)
        )
        for name, p in points.items()
    }
    if blur:
        blurred = blur_face(picture, placed)
        if blurred is None:
            return None
        picture = blurred
    picture, placed = _around_person(picture, placed)
    if rotation is not None:
        photo = Photo(np.asarray(picture), None, None, "", "image/jpeg")
        picture = draw.overlay(photo, Landmarks(placed, "stored"), rotation)
    picture.thumbnail((width_px, 10 * width_px), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=78, optimize=True)
    return out.getvalue()
