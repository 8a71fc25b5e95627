"""`showhour air`: one reading, against handbooks and reference libraries, and every slip of the hand."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cli import main


def air(capsys: pytest.CaptureFixture[str], text: str) -> dict[str, float]:
    assert main(["air", *text.split(), "--json"]) == 0
    told: dict[str, float] = json.loads(capsys.readouterr().out)
    return told


def test_density_altitude_chart(capsys: pytest.CaptureFixture[str]) -> None:
    """FAA-H-8083-25 (PHAK), chapter 11, density altitude chart: 5,883 ft, 30.10 inHg, 70 °F.

    The handbook: pressure altitude 5,718 ft, density altitude about 7,700 ft as read from the chart; the
    exact dry value is 7,710 ft (computed with `ambiance`).
    """
    told = air(capsys, "--elevation-ft 5883 --altimeter-inhg 30.10 --temperature-f 70")
    assert told["pressure_altitude_ft"] == pytest.approx(5718, abs=5)
    assert told["density_altitude_dry_ft"] == pytest.approx(7700, abs=100)
    assert told["density_altitude_dry_ft"] == pytest.approx(7710, abs=10)


@pytest.mark.parametrize(("inhg", "feet"), [(29.7, 205), (31.0, -983)])
def test_pressure_altitude_table(inhg: float, feet: float, capsys: pytest.CaptureFixture[str]) -> None:
    """FAA-H-8083-25 (PHAK), table of field elevation against pressure altitude, sea level (±2 ft)."""
    told = air(capsys, f"--elevation-ft 0 --altimeter-inhg {inhg} --temperature-c 15")
    assert told["pressure_altitude_ft"] == pytest.approx(feet, abs=2)


@pytest.mark.parametrize(
    ("reading", "pressure_altitude", "density_altitude", "sigma"),
    [
        ("--elevation-ft 2437 --altimeter-inhg 29.92 --temperature-c 33 --dew-point-c 7", None, 5154, 0.858),
        ("--elevation-ft 2437 --altimeter-inhg 29.92 --temperature-c 20 --dew-point-c 8", None, 3726, 0.895),
        ("--elevation-ft 6700 --altimeter-inhg 30.15 --temperature-c 31 --dew-point-c 5", 6489, 9838, 0.742),
        ("--elevation-ft 6700 --altimeter-inhg 30.15 --temperature-c 20 --dew-point-c 7", 6489, 8679, None),
        ("--elevation-ft 12 --altimeter-inhg 29.95 --temperature-c 27 --dew-point-c 22", None, 1705, None),
        ("--elevation-ft 5000 --altimeter-inhg 29.92 --temperature-c 30 --dew-point-c 20", None, 8141, None),
    ],
)
def test_assumed_weather(
    reading: str,
    pressure_altitude: float | None,
    density_altitude: float,
    sigma: float | None,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Assumed weather at four fields: values computed with MetPy (moist density) and `ambiance` (±10 ft).

    The hot afternoon and the evening at 2,437 ft differ by 4 % in density; the beach has the thickest air.
    """
    told = air(capsys, reading)
    assert told["density_altitude_ft"] == pytest.approx(density_altitude, abs=10)
    if pressure_altitude is not None:
        assert told["pressure_altitude_ft"] == pytest.approx(pressure_altitude, abs=5)
    if sigma is not None:
        assert told["density_ratio"] == pytest.approx(sigma, abs=6e-4)


def test_humidity_adds(capsys: pytest.CaptureFixture[str]) -> None:
    """30 °C at sea level, dew point 25 °C: 401 ft above dry air (±10, by MetPy and `ambiance`)."""
    dry = air(capsys, "--elevation-ft 0 --altimeter-hpa 1013.25 --temperature-c 30")
    moist = air(capsys, "--elevation-ft 0 --altimeter-hpa 1013.25 --temperature-c 30 --dew-point-c 25")
    assert moist["density_altitude_ft"] - dry["density_altitude_ft"] == pytest.approx(401, abs=10)
    assert dry["density_altitude_ft"] == dry["density_altitude_dry_ft"] == moist["density_altitude_dry_ft"]
    assert "dry air" in str(dry["notes"])


def test_station_pressure_from_a_setting(capsys: pytest.CaptureFixture[str]) -> None:
    """Altimeter 30.20 inHg at 5,045 ft: 849.77 hPa (±0.3; MetPy's own tests give the same relation)."""
    told = air(capsys, "--elevation-ft 5045 --altimeter-inhg 30.20 --temperature-c 20")
    assert told["station_pressure_hpa"] == pytest.approx(849.77, abs=0.3)


@pytest.mark.parametrize(
    ("wind", "runway", "headwind", "crosswind", "side"),
    [
        # FAA-H-8083-25 (PHAK) chapter 11, crosswind component chart: runway 17, 140/25: 22 and 13 as read.
        ("140/25", 170, 21.65, 12.50, "left"),
        ("60/15", 360, 7.50, 12.99, "right"),
        ("45/20", 0, 14.14, 14.14, "right"),
        ("0/0", 90, 0.0, 0.0, None),
        ("350/10", 170, -10.0, 0.0, None),
        ("VRB/4", 90, None, 4.0, None),
        ("270/10", 90, -10.0, 0.0, None),
    ],
)
def test_wind_components(
    wind: str,
    runway: float,
    headwind: float | None,
    crosswind: float,
    side: str | None,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Components by trigonometry (±0.01 kt); a variable wind counts in full as crosswind."""
    told = air(
        capsys,
        f"--elevation-ft 0 --altimeter-inhg 29.92 --temperature-c 15 --wind {wind} --runway-true {runway}",
    )
    assert told["crosswind_kt"] == pytest.approx(crosswind, abs=0.01)
    assert told["headwind_kt"] == (None if headwind is None else pytest.approx(headwind, abs=0.01))
    assert told["crosswind_from"] == side


@pytest.mark.parametrize(
    ("wind", "lines"),
    [
        ("140/25", ("headwind 21.6 kt", "crosswind 12.5 kt from the left")),
        ("350/12", ("tailwind 12.0 kt", "crosswind 0.0 kt")),
        ("VRB/4", ("crosswind 4.0 kt",)),
    ],
)
def test_wind_in_words(wind: str, lines: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    """PHAK chapter 11 reads 13 kt off its chart for 140/25 on runway 17; sin 30° of 25 is 12.5, never 12."""
    reading = f"--elevation-ft 0 --altimeter-inhg 29.92 --temperature-c 15 --wind {wind} --runway-true 170"
    assert main(["air", *reading.split()]) == 0
    told = [" ".join(line.split()) for line in capsys.readouterr().out.splitlines()]
    winds = ("headwind", "tailwind", "crosswind")
    assert tuple(line for line in told if line.startswith(winds)) == lines


@pytest.mark.parametrize(
    ("reading", "words"),
    [
        ("--elevation-ft 0 --altimeter-hpa 29.92 --temperature-c 15", ("29.92", "--altimeter-inhg")),
        ("--elevation-ft 0 --altimeter-inhg 1013 --temperature-c 15", ("1013", "--altimeter-hpa")),
        ("--elevation-ft 0 --altimeter-hpa 1013 --temperature-c 86", ("86", "--temperature-f")),
        (
            "--elevation-ft 0 --altimeter-hpa 1013 --temperature-c 15 --dew-point-c 20",
            ("above the temperature",),
        ),
        ("--elevation-ft 29000 --altimeter-hpa 1013 --temperature-c 15", ("--elevation-ft",)),
        ("--elevation-ft 0 --altimeter-hpa 1013 --temperature-c nan", ("--temperature-c",)),
        ("--elevation-ft 0 --altimeter-hpa inf --temperature-c 15", ("--altimeter-hpa",)),
        ("--elevation-ft 0 --altimeter-hpa 1013 --temperature-c 15 --wind 140/25", ("--runway-true",)),
        (
            "--elevation-ft 0 --altimeter-hpa 1013 --temperature-c 15 --wind 14025KT --runway-true 10",
            ("14025KT", "140/25"),
        ),
        (
            "--elevation-ft 0 --altimeter-hpa 1013 --temperature-c 15 --wind 370/10 --runway-true 10",
            ("370/10", "360"),
        ),
    ],
)
def test_slips_of_the_hand(reading: str, words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    """A value in another unit, or none at all: code 2, the option, the value and what would be right."""
    assert main(["air", *reading.split(), "--json"]) == 2
    out, err = capsys.readouterr()
    told = json.loads(out)
    assert told["exit_code"] == 2
    assert told["error"] in err
    assert "Traceback" not in err
    assert err.count("\n") == 1, "one paragraph"
    for word in words:
        assert word in err


@pytest.mark.parametrize(
    "reading",
    [
        "--elevation-ft 0 --temperature-c 15",
        "--elevation-ft 0 --altimeter-hpa 1013 --altimeter-inhg 29.92 --temperature-c 15",
        "--elevation-ft 0 --altimeter-hpa 1013",
        "--elevation-ft high --altimeter-hpa 1013 --temperature-c 15",
    ],
)
def test_one_pressure_and_one_temperature(reading: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Neither none nor two: the parser's own message and code 2."""
    with pytest.raises(SystemExit) as stopped:
        main(["air", *reading.split()])
    assert stopped.value.code == 2
    assert "usage: showhour air" in capsys.readouterr().err


@settings(max_examples=60, deadline=None)
@given(
    st.floats(-1000, 9000),
    st.floats(28.5, 31.0),
    st.floats(-20, 45),
    st.floats(0, 30),
)
def test_any_reading_within_range_has_an_answer(
    elevation: float, inhg: float, celsius: float, spread: float
) -> None:
    """Property: any believable reading is answered; moisture never thickens the air, nor does heat."""
    from argparse import Namespace

    from pipeline.cli import _parser
    from pipeline.reading import air_reading

    def read(t: float) -> dict[str, float]:
        argv = ["air", f"--elevation-ft={elevation}", f"--altimeter-inhg={inhg}", f"--temperature-c={t}"]
        # The table of ranges ends at a dew point of 36 °C.
        arguments: Namespace = _parser().parse_args([*argv, f"--dew-point-c={min(celsius - spread, 36)}"])
        return air_reading(arguments)

    told, warmer = read(celsius), read(celsius + 1.0)
    assert told["density_altitude_ft"] >= told["density_altitude_dry_ft"] - 0.1
    # The rule of thumb is 120 ft a degree; the true slope is 90 to 135 over this range.
    assert 80 < warmer["density_altitude_dry_ft"] - told["density_altitude_dry_ft"] < 140


def test_a_sea_level_value_is_not_taken_for_the_fields_own(capsys):
    """1015 hPa cannot be read at 5,883 ft: there the standard atmosphere has about 815 hPa.

    Taken as it is, it would put the density altitude some 7,000 ft too low, the unsafe side.
    """
    where = ["air", "--elevation-ft", "5883", "--temperature-c", "21.1", "--station-pressure-hpa"]
    assert main([*where, "1015"]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "not the pressure at that field" in told.err
    assert "--mslp-hpa" in told.err
    assert main([*where, "820.7"]) == 0
