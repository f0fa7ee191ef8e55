"""The shafts of the invented grain terminal: input shafts of bucket-elevator gearboxes."""

from __future__ import annotations

from lights import softbox, tube, window
from shots import DAY, MAIN, TELE, WARM, Band, Finish, Groove, Scale, Shaft, Shot, Stain, View


def elevator_01() -> Shot:
    """Return the plain case: rule level with the axis, one band."""
    shaft = Shaft(
        name="elevator 1 input shaft",
        diameter_mm=34.987,
        land_length_mm=88.0,
        edge_kind="chamfer",
        edge_axial_mm=4.0,
        edge_angle_deg=20.0,
        centre_hole_mm=6.3,
        bands=(
            Band(
                start_mm=21.346,
                end_mm=23.412,
                edge_width_mm=0.16,
                wobble_mm=0.05,
                wobble_phase_deg=70.0,
            ),
        ),
    )
    return Shot(
        name="elevator_01_rule_level",
        exposure=1.0,
        seed=101,
        lens=MAIN,
        shaft=shaft,
        bench_z_mm=-17.5,
        taken="2026:05:04 10:11:12",
        scale=Scale(
            kind="rule", origin_mm=(-9.3, 19.6, 0.04), u_deg=0.35, v_side=1, lead_mm=0.0, block=True
        ),
        lights=(window(106.0), softbox(-62.0, 50.0, 4.0), tube(180.0, 66.0)),
        view=View(
            aim_mm=(56.0, 8.0, 8.0),
            distance_mm=152.0,
            turn_deg=1.8,
            tilt_x_deg=4.0,
            tilt_y_deg=-5.0,
        ),
        shows="steel rule level with the axis, one band, chamfer, centre hole",
    )


def elevator_02() -> Shot:
    """Return a rule lying on the bench beside a shaft with a snap-ring groove."""
    shaft = Shaft(
        name="elevator 2 input shaft",
        diameter_mm=27.994,
        land_length_mm=74.0,
        edge_kind="chamfer",
        edge_axial_mm=2.5,
        edge_angle_deg=30.0,
        shoulder_diameter_mm=27.2,
        bands=(
            Band(
                start_mm=33.871,
                end_mm=35.304,
                edge_width_mm=0.12,
                wobble_mm=0.08,
                wobble_phase_deg=200.0,
            ),
        ),
        grooves=(Groove(start_mm=12.0, end_mm=13.6, depth_mm=0.7),),
    )
    return Shot(
        name="elevator_02_rule_bench",
        seed=102,
        lens=MAIN,
        shaft=shaft,
        bench="mat",
        bench_z_mm=-14.2,
        taken="2026:05:04 10:24:40",
        scale=Scale(
            kind="rule", origin_mm=(131.4, 22.5, -13.35), u_deg=180.9, v_side=-1, lead_mm=5.0
        ),
        lights=(
            softbox(112.0, 42.0, 9.0, 240.0, WARM),
            window(-72.0, 34.0, 3.5),
            tube(0.0, 68.0, 6.0),
        ),
        room=0.2,
        view=View(
            aim_mm=(48.0, 8.0, 2.0),
            distance_mm=160.0,
            turn_deg=177.0,
            tilt_x_deg=-3.0,
            tilt_y_deg=6.0,
        ),
        shows="steel rule lying on the bench, one band, snap-ring groove, relief beyond the land",
    )


def elevator_03() -> Shot:
    """Return a printed card on the bench and two bands."""
    shaft = Shaft(
        name="elevator 3 input shaft",
        diameter_mm=44.982,
        land_length_mm=96.0,
        edge_kind="chamfer",
        edge_axial_mm=5.5,
        edge_angle_deg=15.0,
        centre_hole_mm=8.0,
        finish=Finish(alpha_along=0.3, slope_rms=0.05),
        bands=(
            Band(
                start_mm=24.508,
                end_mm=27.166,
                edge_width_mm=0.22,
                wobble_mm=0.1,
                wobble_phase_deg=310.0,
            ),
            Band(
                start_mm=34.052,
                end_mm=35.217,
                edge_width_mm=0.15,
                wobble_mm=0.1,
                wobble_phase_deg=310.0,
                strength=0.7,
            ),
        ),
    )
    return Shot(
        name="elevator_03_card",
        exposure=1.0,
        seed=103,
        lens=MAIN,
        shaft=shaft,
        bench_z_mm=-22.6,
        taken="2026:05:05 08:02:31",
        scale=Scale(kind="card", origin_mm=(-4.0, -37.0, -22.45), u_deg=1.4),
        lights=(window(98.0, 42.0), softbox(-112.0, 40.0, 5.0), tube(180.0, 70.0, 8.0)),
        view=View(
            aim_mm=(52.0, -16.0, 4.0),
            distance_mm=192.0,
            turn_deg=93.0,
            tilt_x_deg=4.0,
            tilt_y_deg=-3.0,
        ),
        shows=(
            "printed ChArUco card on the bench, two bands, long shallow chamfer, end at the bottom"
        ),
    )


def elevator_04() -> Shot:
    """Return two bands closer than a millimetre and a shoulder."""
    shaft = Shaft(
        name="elevator 4 input shaft",
        diameter_mm=38.005,
        land_length_mm=52.0,
        edge_kind="radius",
        edge_axial_mm=1.2,
        shoulder_diameter_mm=46.0,
        bands=(
            Band(
                start_mm=19.733,
                end_mm=21.861,
                edge_width_mm=0.11,
                wobble_mm=0.03,
                wobble_phase_deg=20.0,
            ),
            Band(
                start_mm=22.618,
                end_mm=23.574,
                edge_width_mm=0.11,
                wobble_mm=0.03,
                wobble_phase_deg=20.0,
            ),
        ),
    )
    return Shot(
        name="elevator_04_two_bands_close",
        seed=104,
        lens=MAIN,
        shaft=shaft,
        bench="paint",
        bench_z_mm=-24.0,
        taken="2026:05:05 08:40:09",
        scale=Scale(
            kind="rule",
            origin_mm=(124.0, -21.3, -0.05),
            u_deg=180.4,
            v_side=1,
            lead_mm=4.0,
            block=True,
            block_color=(0.5, 0.36, 0.2),
        ),
        lights=(
            softbox(104.0, 45.0, 7.0, 260.0),
            softbox(-74.0, 38.0, 6.0, 260.0, DAY),
            tube(180.0, 72.0, 8.0),
        ),
        view=View(
            aim_mm=(47.0, -6.0, 6.0),
            distance_mm=158.0,
            turn_deg=-87.0,
            tilt_x_deg=-4.0,
            tilt_y_deg=2.0,
        ),
        shows=(
            "rule level with the axis, two bands 0.76 mm apart, shoulder, edge radius, "
            "end at the top"
        ),
    )


def elevator_05() -> Shot:
    """Return a barely visible band and a stain on one side."""
    shaft = Shaft(
        name="elevator 5 input shaft",
        diameter_mm=32.011,
        land_length_mm=84.0,
        edge_kind="chamfer",
        edge_axial_mm=3.0,
        edge_angle_deg=25.0,
        bands=(
            Band(
                start_mm=18.261,
                end_mm=20.117,
                edge_width_mm=0.18,
                wobble_mm=0.04,
                wobble_phase_deg=120.0,
            ),
            Band(
                start_mm=30.402,
                end_mm=31.915,
                edge_width_mm=0.25,
                strength=0.16,
                visibility="barely",
            ),
        ),
        stains=(Stain(x_mm=47.0, theta_deg=24.0, half_length_mm=7.5, half_arc_deg=30.0),),
    )
    return Shot(
        name="elevator_05_faint_stain",
        seed=105,
        lens=MAIN,
        shaft=shaft,
        bench="paint",
        bench_z_mm=-16.1,
        taken="2026:05:06 14:15:55",
        scale=Scale(
            kind="rule",
            origin_mm=(-6.2, -17.9, 0.1),
            u_deg=-0.5,
            v_side=-1,
            lead_mm=5.0,
            block=True,
        ),
        lights=(
            window(76.0, 44.0, 5.0),
            softbox(-108.0, 46.0, 5.0, 240.0, WARM),
            tube(180.0, 64.0, 8.0),
        ),
        view=View(
            aim_mm=(51.0, -7.0, 7.0),
            distance_mm=150.0,
            turn_deg=184.0,
            tilt_x_deg=5.0,
            tilt_y_deg=4.0,
        ),
        shows=(
            "one clear and one barely visible band, one-sided stain, "
            "rule level with the axis, end at the right"
        ),
    )


def elevator_06() -> Shot:
    """Return a photo held upright (EXIF orientation 6)."""
    shaft = Shaft(
        name="elevator 6 input shaft",
        diameter_mm=24.006,
        land_length_mm=80.0,
        edge_kind="radius",
        edge_axial_mm=1.5,
        centre_hole_mm=5.0,
        bands=(
            Band(
                start_mm=26.447,
                end_mm=28.902,
                edge_width_mm=0.2,
                wobble_mm=0.12,
                wobble_phase_deg=250.0,
            ),
        ),
        grooves=(Groove(start_mm=40.0, end_mm=41.3, depth_mm=0.5),),
    )
    return Shot(
        name="elevator_06_portrait",
        seed=106,
        lens=MAIN,
        shaft=shaft,
        bench_z_mm=-12.1,
        taken="2026:05:06 14:52:18",
        scale=Scale(
            kind="rule",
            origin_mm=(-12.0, -17.5, -11.25),
            u_deg=-1.2,
            v_side=-1,
            material="white",
            lead_mm=5.0,
            thickness_mm=0.8,
        ),
        lights=(window(101.0, 40.0), softbox(-70.0, 48.0, 5.0), tube(180.0, 70.0, 8.0)),
        view=View(
            aim_mm=(17.0, -6.0, 3.0),
            distance_mm=140.0,
            turn_deg=3.5,
            tilt_x_deg=-5.0,
            tilt_y_deg=-11.0,
            orientation=6,
        ),
        shows=(
            "held upright (EXIF orientation 6), white rule on the bench, edge radius, "
            "snap-ring groove behind the band"
        ),
    )


def elevator_07() -> Shot:
    """Return a photo without any scale."""
    shaft = Shaft(
        name="elevator 7 input shaft",
        diameter_mm=49.978,
        land_length_mm=92.0,
        edge_kind="chamfer",
        edge_axial_mm=6.0,
        edge_angle_deg=18.0,
        centre_hole_mm=8.0,
        bands=(
            Band(
                start_mm=27.730,
                end_mm=30.881,
                edge_width_mm=0.3,
                wobble_mm=0.06,
                wobble_phase_deg=15.0,
            ),
        ),
    )
    return Shot(
        name="elevator_07_no_scale",
        seed=107,
        lens=MAIN,
        shaft=shaft,
        bench="paper",
        bench_z_mm=-25.1,
        taken="2026:05:07 09:30:00",
        lights=(window(-103.0, 42.0, 5.0), softbox(66.0, 48.0, 6.0), tube(180.0, 68.0, 8.0)),
        refuse_reason="no-scale",
        view=View(
            aim_mm=(50.0, 2.0, 10.0),
            distance_mm=185.0,
            turn_deg=-9.0,
            tilt_x_deg=3.0,
            tilt_y_deg=-6.0,
        ),
        shows="no scale: refused, unless the diameter is given",
    )


def elevator_08() -> Shot:
    """Return a card on a block, held upright the other way (EXIF orientation 8)."""
    shaft = Shaft(
        name="elevator 8 input shaft",
        diameter_mm=19.985,
        land_length_mm=46.0,
        edge_kind="chamfer",
        edge_axial_mm=2.0,
        edge_angle_deg=30.0,
        shoulder_diameter_mm=26.0,
        bands=(
            Band(
                start_mm=14.118,
                end_mm=15.303,
                edge_width_mm=0.09,
                wobble_mm=0.02,
                wobble_phase_deg=90.0,
            ),
        ),
    )
    return Shot(
        name="elevator_08_card_block_portrait",
        seed=108,
        lens=MAIN,
        shaft=shaft,
        bench="mat",
        bench_z_mm=-30.0,
        taken="2026:05:07 10:05:47",
        scale=Scale(
            kind="card",
            origin_mm=(96.0, 19.5, -1.5),
            u_deg=178.5,
            block=True,
            width_mm=36.0,
            thickness_mm=0.3,
        ),
        lights=(window(110.0, 42.0), softbox(-95.0, 44.0, 6.0), tube(180.0, 66.0, 8.0)),
        view=View(
            aim_mm=(42.0, 12.0, 3.0),
            distance_mm=145.0,
            turn_deg=179.0,
            tilt_x_deg=-4.0,
            tilt_y_deg=6.0,
            orientation=8,
        ),
        shows=(
            "held upright (EXIF orientation 8), card on a block near the axis height, "
            "thin shaft with shoulder"
        ),
    )


def elevator_09() -> Shot:
    """Return the longer lens and an inch rule."""
    shaft = Shaft(
        name="elevator 9 input shaft",
        diameter_mm=25.387,
        land_length_mm=80.0,
        edge_kind="chamfer",
        edge_axial_mm=2.8,
        edge_angle_deg=22.0,
        bands=(
            Band(
                start_mm=29.066,
                end_mm=31.240,
                edge_width_mm=0.14,
                wobble_mm=0.07,
                wobble_phase_deg=160.0,
                reflectance=0.95,
            ),
        ),
    )
    return Shot(
        name="elevator_09_inch_rule_tele",
        seed=109,
        lens=TELE,
        shaft=shaft,
        bench_z_mm=-12.8,
        taken="2026:05:08 11:20:33",
        scale=Scale(
            kind="rule",
            origin_mm=(-7.0, 14.6, 0.0),
            u_deg=0.2,
            v_side=1,
            pitch_mm=25.4 / 32.0,
            marks=192,
            width_mm=22.0,
            block=True,
        ),
        lights=(window(97.0, 42.0), softbox(-64.0, 50.0, 5.0), tube(180.0, 76.0, 8.0)),
        room=0.3,
        view=View(
            aim_mm=(58.0, 8.0, 5.0),
            distance_mm=258.0,
            turn_deg=-2.4,
            tilt_x_deg=6.0,
            tilt_y_deg=3.0,
        ),
        shows="longer lens (52 mm equivalent), inch rule in 1/32 level with the axis",
    )


def elevator_10() -> Shot:
    """Return a shaft lying aslant with a rule level with the axis."""
    shaft = Shaft(
        name="elevator 10 input shaft",
        diameter_mm=42.016,
        land_length_mm=90.0,
        edge_kind="chamfer",
        edge_axial_mm=4.5,
        edge_angle_deg=20.0,
        centre_hole_mm=6.3,
        bands=(
            Band(
                start_mm=16.204,
                end_mm=20.690,
                edge_width_mm=0.28,
                wobble_mm=0.14,
                wobble_phase_deg=45.0,
            ),
            Band(
                start_mm=28.357,
                end_mm=29.148,
                edge_width_mm=0.13,
                wobble_mm=0.14,
                wobble_phase_deg=45.0,
            ),
        ),
    )
    return Shot(
        name="elevator_10_aslant",
        seed=110,
        lens=MAIN,
        shaft=shaft,
        bench_z_mm=-21.1,
        taken="2026:05:08 15:47:02",
        scale=Scale(
            kind="rule",
            origin_mm=(-14.0, -23.4, -0.12),
            u_deg=0.8,
            v_side=-1,
            lead_mm=0.0,
            block=True,
        ),
        lights=(window(64.0, 44.0), softbox(-106.0, 45.0, 6.0, 240.0), tube(180.0, 66.0, 9.0)),
        view=View(
            aim_mm=(54.0, -8.0, 8.0),
            distance_mm=168.0,
            turn_deg=27.0,
            tilt_x_deg=-6.0,
            tilt_y_deg=-4.0,
        ),
        shows=(
            "shaft aslant in the picture, a wide and a narrow band with wobble, "
            "rule level with the axis"
        ),
    )


def shaft_shots() -> list[Shot]:
    """Return the shaft photos in order."""
    return [
        elevator_01(),
        elevator_02(),
        elevator_03(),
        elevator_04(),
        elevator_05(),
        elevator_06(),
        elevator_07(),
        elevator_08(),
        elevator_09(),
        elevator_10(),
    ]
