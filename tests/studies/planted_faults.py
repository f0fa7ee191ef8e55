"""Does the agreement of diameter and scale find planted faults, and leave honest photos alone?

    python -m tests.studies.planted_faults --lens LENS.json --card CARD.toml PHOTO...

Beside each photo lies its truth, NAME.json, with the diameter and the scale's height above the
axis. Each photo is measured with true statements and then with one false one at a time; printed
are E_n, the refusal, and the causes it names. A lens of another camera is found by E_n or by the
focal length that EXIF tells (`lens-mismatch`).
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from bandscan.options import MeasureOptions
from bandscan.pipeline import measure_photo
from calib.board import read_board
from calib.lens import CameraIdentity, LensCalibration
from calib.lensfile import read_lens, write_lens

PRINT = 0.97
DIAMETER_OFF = 0.01
LIFTED_MM = 5.0
MISMATCH = "lens-mismatch"
OTHER_FOCAL, OTHER_K1 = 1.08, -0.12  # another phone: 28 mm equivalent against 26, other distortion


def other_lens(lens: LensCalibration) -> LensCalibration:
    """As of another camera, and without its name."""
    camera = lens.camera
    change = [0.0] * 9
    change[0], change[1] = camera.fx_px * (OTHER_FOCAL - 1.0), camera.fy_px * (OTHER_FOCAL - 1.0)
    change[4] = OTHER_K1
    return replace(lens, camera=camera.shifted(change), identity=CameraIdentity())


def false_card(card: Path, out: Path) -> Path:
    """A description after which the card in the photo is a print at 97 %."""
    board = read_board(card)
    out.write_text(
        f'[board]\npattern = "charuco"\ncolumns = {board.columns}\nrows = {board.rows}\n'
        f"square_mm = {board.square_mm / PRINT}\nmarker_mm = {board.marker_mm / PRINT}\n"
        f'dictionary = "{board.dictionary}"\n'
    )
    return out


def trials(
    truth: dict, lens: Path | None, card: Path | None, folder: Path
) -> Iterator[tuple[str, MeasureOptions]]:
    """True statements, then one false one at a time."""
    scale = truth["scale"]
    is_card = scale["kind"] in ("card", "charuco")
    honest = MeasureOptions(
        diameter_mm=truth["shaft"]["diameter_mm"],
        scale="card" if is_card else "rule",
        card_path=card if is_card else None,
        scale_height_mm=scale["plane_height_rel_axis_mm"],
        lens_path=lens,
    )
    diameter, height = honest.diameter_mm, honest.scale_height_mm
    assert diameter is not None
    assert height is not None
    yield "honest", honest
    if is_card and card is not None:
        wrong = false_card(card, folder / "false.toml")
        yield "print 97 %", replace(honest, card_path=wrong)
    for sign in (1.0, -1.0):
        off = diameter * (1.0 + sign * DIAMETER_OFF)
        yield f"diameter {100 * sign * DIAMETER_OFF:+.0f} %", replace(honest, diameter_mm=off)
    yield "5 mm higher", replace(honest, scale_height_mm=height - LIFTED_MM)
    if lens is not None:
        write_lens(folder / "other.json", other_lens(read_lens(lens)))
        yield "other lens", replace(honest, lens_path=folder / "other.json")


def main() -> None:
    parser = argparse.ArgumentParser(description="Planted faults against E_n.")
    parser.add_argument("photos", nargs="+", type=Path)
    parser.add_argument("--lens", type=Path)
    parser.add_argument("--card", type=Path)
    args = parser.parse_args()
    tried: Counter[str] = Counter()
    beyond: Counter[str] = Counter()
    errors: list[float] = []
    with tempfile.TemporaryDirectory() as name:
        for photo in args.photos:
            truth = json.loads(photo.with_suffix(".json").read_text())
            if not truth.get("scale") or truth["scale"]["kind"] == "none":
                continue
            for fault, options in trials(truth, args.lens, args.card, Path(name)):
                result = measure_photo(photo, options)
                refusal = result.refusal.code if result.refusal else "-"
                agreement = result.agreement
                print(f"{photo.stem} {fault:<13}", end=" ")
                if agreement is None:
                    print(f"no comparison: {refusal}")
                    tried[fault] += refusal == MISMATCH
                    beyond[fault] += refusal == MISMATCH
                    continue
                tried[fault] += 1
                beyond[fault] += abs(agreement.en) > 1.0
                print(f"E_n {agreement.en:+6.2f} {refusal}", end="")
                if fault == "honest" and result.shaft and result.shaft.diameter_in_photo_mm:
                    seen = result.shaft.diameter_in_photo_mm
                    errors.append(math.log(seen.value / truth["shaft"]["diameter_mm"]))
                    off, u = 100 * errors[-1], 100 * seen.u / seen.value
                    print(f" scale off {off:+.2f} % (u {u:.2f} %)", end="")
                if result.refusal and refusal == "scale-disagrees":
                    print(f" {result.refusal.message.split('E_n', 1)[1][:230]}", end="")
                print(flush=True)
    for fault, count in tried.items():
        print(f"{fault:<13} found in {beyond[fault]} of {count}")
    if errors:
        rms = math.sqrt(sum(e * e for e in errors) / len(errors))
        print(f"scale against diameter, honest: rms {rms:.2%}, largest {max(map(abs, errors)):.2%}")


if __name__ == "__main__":
    main()
