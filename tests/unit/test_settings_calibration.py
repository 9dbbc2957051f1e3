"""Millivolts become pH by the calibration record, or by the ideal electrode without one."""

from __future__ import annotations

from pathlib import Path

import pytest
from nightheron.settings import BadConfiguration, load, warnings

from tests.support.configuration import changed, write

MV = changed(('port = "/dev/made-up-probe"', 'port = "/dev/made-up-probe"\nunit = "mv"'))


def record(directory: Path, text: str, name: str = "west") -> None:
    """Put a calibration record where the service looks for it."""
    place = directory / "data" / "calibration"
    place.mkdir(parents=True, exist_ok=True)
    (place / f"{name}.json").write_text(text)


def test_without_a_record_the_ideal_electrode_is_assumed_and_said(tmp_path: Path) -> None:
    """59.16 mV below the isopotential point is one pH above seven, and a warning names the key."""
    site = load(write(tmp_path, MV), {})
    conversion = site.limits()[0].probes[0].conversion

    assert conversion.at_ph7 == 0
    assert conversion.per_ph == pytest.approx(-59.159, abs=0.001)
    assert any(w.key == "chamber.west.probe.unit" for w in warnings(site))


def test_a_record_is_used(tmp_path: Path) -> None:
    """The record's numbers are the conversion, and no warning is given."""
    record(tmp_path, '{"at_ph7": 12.5, "per_ph": -57.1, "at": "2026-11-01"}')
    site = load(write(tmp_path, MV), {})
    conversion = site.limits()[0].probes[0].conversion

    assert (conversion.at_ph7, conversion.per_ph) == (12.5, -57.1)
    assert not any(w.key == "chamber.west.probe.unit" for w in warnings(site))


def test_a_new_record_is_another_configuration(tmp_path: Path) -> None:
    """Calibration changes what is decided, so it changes the fingerprint."""
    path = write(tmp_path, MV)
    before = load(path, {}).fingerprint()
    record(tmp_path, '{"at_ph7": 1, "per_ph": -58}')

    assert load(path, {}).fingerprint() != before


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "null",
        "{}",
        '{"at_ph7": 0}',
        '{"at_ph7": 0, "per_ph": 0}',
        '{"at_ph7": 0, "per_ph": NaN}',
        '{"at_ph7": Infinity, "per_ph": -59}',
        '{"at_ph7": 0, "per_ph": -30}',
        '{"at_ph7": 0, "per_ph": "-59"}',
        '{"at_ph7": true, "per_ph": -59}',
        '{"at_ph7": 900, "per_ph": -59}',
        "[" * 100_000,
    ],
)
def test_a_broken_record_is_a_fault(tmp_path: Path, text: str) -> None:
    """A record that is there and makes no sense is refused, never half used."""
    record(tmp_path, text)

    with pytest.raises(BadConfiguration) as caught:
        load(write(tmp_path, MV), {})

    assert [f.key for f in caught.value.faults] == ["chamber.west.probe.unit"]
    assert "west.json is broken" in caught.value.faults[0].why


def test_a_record_for_millivolts_does_not_fit_a_probe_in_ph(tmp_path: Path) -> None:
    """A slope of 57 on a probe that speaks pH would turn every reading into seven."""
    record(tmp_path, '{"at_ph7": 0, "per_ph": -57}')

    with pytest.raises(BadConfiguration):
        load(write(tmp_path), {})
