"""The photos of the lens board, all with the main lens."""

from __future__ import annotations

from lights import softbox, window
from shots import MAIN, Shot, View

# aim_mm (from the board's corner, y up), distance_mm, turn_deg, tilt_x_deg, tilt_y_deg
BOARD_VIEWS = (
    ((82.0, -60.0, 0.0), 178.0, 2.0, 1.0, -2.0),
    ((108.0, -82.0, 0.0), 205.0, -6.0, 22.0, 8.0),
    ((58.0, -38.0, 0.0), 205.0, 4.0, -24.0, -10.0),
    ((136.0, -20.0, 0.0), 195.0, 3.0, -8.0, -14.0),
    ((132.0, -98.0, 0.0), 195.0, -7.0, 6.0, -9.0),
    ((62.0, -62.0, 0.0), 235.0, 90.0, 38.0, 4.0),
    ((80.0, -90.0, 0.0), 235.0, 88.0, -4.0, 42.0),
    ((112.0, -52.0, 0.0), 215.0, 40.0, 20.0, -22.0),
    ((128.0, -98.0, 0.0), 190.0, 183.0, -9.0, 8.0),
    ((44.0, -92.0, 0.0), 180.0, 4.0, -9.0, 10.0),
)


def lens_board(index: int) -> Shot:
    """Return board photo `index` (from 1)."""
    aim, distance, turn, tilt_x, tilt_y = BOARD_VIEWS[index - 1]
    return Shot(
        name=f"lens_{index:02d}",
        seed=200 + index,
        lens=MAIN,
        board=True,
        bench="paint",
        bench_z_mm=-0.6,
        lights=(window(70.0, 55.0, 4.0, 900.0), softbox(-100.0, 60.0, 5.0, 400.0)),
        room=0.45,
        taken=f"2026:05:04 09:{30 + index:02d}:00",
        view=View(
            aim_mm=aim, distance_mm=distance, turn_deg=turn, tilt_x_deg=tilt_x, tilt_y_deg=tilt_y
        ),
        shows="flat ChArUco board for the lens",
    )


def board_shots() -> list[Shot]:
    """Return the board photos in order."""
    return [lens_board(i + 1) for i in range(len(BOARD_VIEWS))]
