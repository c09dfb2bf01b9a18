"""The Earth rotation table: a newer one, its age and states, bad files, leap seconds, honest uncertainty.

The newer table is the finals2000A.all of the IERS in the package astropy-iers-data, which comes with Astropy.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace

import astropy_iers_data
import numpy as np
import pytest
from astropy.utils import iers

from controller.errors import SkyError
from controller.sky import Constants, DeltaTState, Site, circumstances
from controller.sky.earth_rotation import (
    data_folder,
    extrapolation_uncertainty_s,
    installed_table,
    load_table,
    timescale,
)
from controller.sky.geometry import turning_arcsec_s
from controller.units import ContactName

INSTALLED = data_folder() / "finals2000A.all"
NEWER = astropy_iers_data.IERS_A_FILE
D2026, D2027 = dt.date(2026, 8, 12), dt.date(2027, 8, 2)
CASTILE, STRAIT = Site(42.2, -4.2, 900), Site(36.12, -5.72, 150)
MJD0 = 2400000.5


def lines():
    """Return the lines of the installed table."""
    return INSTALLED.read_bytes().splitlines(keepends=True)


def written(tmp_path, content, name="finals2000A.all"):
    """Write a table and return its path."""
    path = tmp_path / name
    path.write_bytes(b"".join(content))
    return path


def number_of(mjd):
    """Return the index of a day's line."""
    return int(mjd - 41684)


def with_ut1(line, ut1_minus_utc_s):
    """Return a line with another UT1 - UTC."""
    return line[:58] + f"{ut1_minus_utc_s:10.7f}".encode() + line[68:]


# A newer table --------------------------------------------------------------------------------------


def test_a_newer_table_turns_predictions_into_measurements():
    """What the installed table predicts for 2026 August 12, the newer one has measured, or knows better."""
    old, new = installed_table(), load_table(NEWER)
    assert new.measured_until > old.measured_until
    before = circumstances(CASTILE, D2026).delta_t
    after = circumstances(CASTILE, D2026, constants=Constants(earth_rotation=NEWER)).delta_t
    assert before.state is DeltaTState.PREDICTED
    assert after.state is (DeltaTState.MEASURED if new.measured_until >= D2026 else DeltaTState.PREDICTED)
    assert after.uncertainty_s < before.uncertainty_s / 10
    assert abs(after.value_s - before.value_s) < 3 * before.uncertainty_s
    assert (after.measured_until, after.predicted_until) == (new.measured_until, new.predicted_until)


def test_a_newer_table_moves_contacts_as_the_earth_turns():
    """A larger Delta-T turns the Earth less: contacts come earlier, by up to 1.1 s for a second of it."""
    given = Constants(earth_rotation=NEWER)
    before, after = circumstances(STRAIT, D2027), circumstances(STRAIT, D2027, constants=given)
    turned_s = after.delta_t.value_s - before.delta_t.value_s
    for name in ContactName:
        moved_s = (after.contact(name).utc_ns - before.contact(name).utc_ns) / 1e9
        assert -1.1 * abs(turned_s) <= moved_s * np.sign(turned_s) <= 0.05 * abs(turned_s)
        assert after.contact(name).uncertainty_s <= before.contact(name).uncertainty_s + 0.01
    again = circumstances(STRAIT, D2027, constants=Constants(delta_t_s=after.delta_t.value_s))
    for name in ContactName:  # polar motion, 10 metres at most, is the rest
        assert again.contact(name).utc_ns == pytest.approx(after.contact(name).utc_ns, abs=2e7)


def test_table_by_another_reader():
    """UT1 - UTC of the newer table, day by day, is what Astropy reads in it."""
    table = load_table(NEWER)
    other = iers.IERS_A.open(NEWER)
    assert np.array_equal(table.mjd, other["MJD"].to_value("d")[: len(table.mjd)])
    for ours, theirs in (
        (table.ut1_minus_utc_s, other["UT1_UTC_A"].to_value("s")),
        (table.error_s, other["e_UT1_UTC_A"].to_value("s")),
        (table.pole_x_arcsec, other["PM_x_A"].to_value("arcsec")),
        (table.pole_y_arcsec, other["PM_y_A"].to_value("arcsec")),
    ):
        assert ours == pytest.approx(theirs[: len(ours)], abs=1e-9)
    flags = other["UT1Flag_A"][: len(table.mjd)]
    assert list(flags).index("P") == number_of(table.measured_until_mjd) + 1


def test_the_leap_seconds_are_those_of_astropy():
    """The days after leap seconds are those of Astropy's own list, none more, none less."""
    theirs = [
        dt.date(int(row["year"]), int(row["month"]), 1)
        for row in iers.LeapSeconds.auto_open([iers.IERS_LEAP_SECOND_FILE])
        if row["year"] > 1972 or row["month"] > 1
    ]
    assert list(installed_table().leap_second_dates) == theirs


# Uncertainty ----------------------------------------------------------------------------------------


def test_the_extrapolation_was_off_by_what_it_says():
    """Cut off in the past and asked for later years, the rms error is the uncertainty stated, within 40 %."""
    table, scale = timescale(None)
    for years in (0.5, 1.0, 2.0, 5.0):
        errors_s = []
        last = table.measured_until_mjd - 365.25 * years
        for mjd in np.arange(table.mjd[0] + 1000, last, 700):
            cut = number_of(mjd)
            past = replace(
                table,
                mjd=table.mjd[:cut], ut1_minus_utc_s=table.ut1_minus_utc_s[:cut], error_s=table.error_s[:cut],
                pole_x_arcsec=table.pole_x_arcsec[:cut], pole_y_arcsec=table.pole_y_arcsec[:cut],
                measured_until_mjd=float(table.mjd[cut - 1]),
            )  # fmt: skip
            tt_jd = MJD0 + table.mjd[cut - 1] + 365.25 * years + 60 / 86_400
            told = past.delta_t(past.timescale(None), tt_jd, None)
            assert told.state is DeltaTState.EXTRAPOLATED
            errors_s.append(told.value_s - float(scale.delta_t_function(tt_jd)))
        rms_s = math.sqrt(np.mean(np.square(errors_s)))
        assert len(errors_s) > 15
        assert 0.6 < rms_s / extrapolation_uncertainty_s(years) < 1.4, (years, rms_s)


def test_predictions_were_off_by_no_more_than_three_times_what_is_told():
    """Day by day, the installed table's predictions against the newer table's measurements."""
    old, scale = timescale(None)
    new = load_table(NEWER)
    days = np.arange(old.measured_until_mjd + 1, min(old.mjd[-1], new.measured_until_mjd))
    assert len(days) > 100
    for mjd in days[::5]:
        told = old.delta_t(scale, MJD0 + mjd + 69.2 / 86_400, None)
        assert told.state is DeltaTState.PREDICTED
        truth_s = 69.184 - float(np.interp(mjd, new.mjd, new.ut1_minus_utc_s))
        assert abs(told.value_s - truth_s) < 3 * told.uncertainty_s


@pytest.mark.parametrize(
    ("date", "site"),
    [
        ("2027-08-02", STRAIT), ("2026-08-12", CASTILE), ("2024-04-08", Site(25.3, -104.1, 1500)),
        ("2024-04-08", Site(48.8, -56.0, 100)), ("2028-01-26", Site(3.0, -51.6, 10)), ("2015-03-20", Site(78.2, 15.6)),
        ("2027-08-02", Site(26.914, 33.2, 100)), ("2035-09-02", Site(36.2786, 138.5, 900)),
        ("2045-08-12", Site(27.352, -78.5)), ("2023-10-14", Site(12.6856, -83.1)),
    ],
)  # fmt: skip
def test_delta_t_moves_a_contact_by_no_more_than_its_share_of_the_doubt(date, site):
    """A tenth of a second of Delta-T moves each contact by what the uncertainty allows for it, grazes too."""
    day = dt.date.fromisoformat(date)
    base, turned = (
        circumstances(site, day, constants=Constants(delta_t_s=delta_t_s)) for delta_t_s in (69.2, 69.3)
    )
    for contact in base.contacts:
        if contact.name is ContactName.MID:
            continue
        rate_arcsec_s = math.hypot(1.0, 0.05) / contact.uncertainty_s  # with Delta-T given, that is all of it
        moved_s = abs(turned.contact(contact.name).tt_ns - contact.tt_ns) / 1e9
        assert moved_s < 1.1 * 0.1 * turning_arcsec_s(site) / rate_arcsec_s


def test_the_age_is_told():
    """Source and plain data name the table, the last measured day and the last day."""
    found = circumstances(STRAIT, D2027)
    table = installed_table()
    assert f"measured to {table.measured_until}" in found.note
    told = found.to_json_dict()["delta_t"]
    assert told["table"] == "finals2000A.all"
    assert told["measured_until"] == str(table.measured_until)
    assert told["predicted_until"] == str(table.predicted_until)


# Leap seconds ---------------------------------------------------------------------------------------


def test_a_leap_second_in_the_table_is_counted_and_told(tmp_path):
    """A leap second announced for 2026 January 1 moves UTC after it by a second, and is told as unknown."""
    day = 61041  # 2026 January 1
    content = lines()
    for index in range(number_of(day), number_of(installed_table().mjd[-1]) + 1):
        content[index] = with_ut1(content[index], float(content[index][58:68]) + 1)
    table = load_table(written(tmp_path, content))
    assert table.leap_second_dates[-1] == dt.date(2026, 1, 1)
    assert "leap second before 2026-01-01" in table.differs()
    plain = circumstances(CASTILE, D2026)
    leaping = circumstances(CASTILE, D2026, constants=Constants(earth_rotation=tmp_path / "finals2000A.all"))
    for name in ContactName:
        one, other = plain.contact(name), leaping.contact(name)
        assert one.utc_ns - other.utc_ns == pytest.approx(1e9, abs=1e6)
        assert one.tt_ns == pytest.approx(other.tt_ns, abs=1e6)


def test_a_negative_leap_second_is_refused(tmp_path):
    """There has never been one, and what cannot be counted is not guessed at."""
    content = lines()
    for index in range(number_of(61041), number_of(installed_table().mjd[-1]) + 1):
        content[index] = with_ut1(content[index], float(content[index][58:68]) - 1)
    with pytest.raises(SkyError, match="negative leap second in line 19358"):
        load_table(written(tmp_path, content))


def test_where_a_leap_second_is_to_be_expected_it_is_said():
    """By 2052 UT1 and UTC would part by more than half a second, and the note says what that means."""
    far = circumstances(Site(20.0, -100.0), dt.date(2052, 3, 30))
    assert "UT1 - UTC would come to" in far.note
    near = circumstances(STRAIT, D2027)
    assert "no leap second beyond those announced" in near.note
    assert "would come to" not in near.note


def test_an_older_table_is_told(tmp_path):
    """A table that ends before the installed one is used, and called older."""
    content = lines()[: number_of(58849)]
    table = load_table(written(tmp_path, content, "old.all"))
    assert table.measured_until == dt.date(2019, 12, 31)
    assert "old.all is older than the one that came with the installation" in table.differs()
    assert installed_table().differs() == ""


# Bad files ------------------------------------------------------------------------------------------


def cut_start(content):
    return content[7000:]


def swap_days(content):
    content[100], content[101] = content[101], content[100]
    return content


def drop_a_day(content):
    return content[:500] + content[501:]


def letter(content):
    content[9] = content[9][:60] + b"x" + content[9][61:]
    return content


def shifted(content):
    return [b" " + line for line in content]


def huge(content):
    content[9] = with_ut1(content[9], 5.0)
    return content


def wrong_calendar(content):
    content[9] = b"73 112" + content[9][6:]
    return content


def measured_after_predicted(content):
    content[9] = content[9][:57] + b"P" + content[9][58:]
    return content


def no_flag(content):
    content[9] = content[9][:57] + b" " + content[9][58:]
    return content


def only_predictions(content):
    return [line[:57] + b"P" + line[58:] for line in content[:100]]


def csv(content):
    return [
        b"MJD;Year;Month;Day;Type;x_pole;sigma_x_pole;y_pole;sigma_y_pole;UT1-UTC;sigma;junk junk junk\n"
    ] * 3


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (cut_start, "begins on 1992-03-03, and leap seconds are counted from 1973-01-02"),
        (swap_days, "a day that is out of order in line 101"),
        (drop_a_day, "a day that is out of order in line 501"),
        (letter, "no row of that format in line 10"),
        (shifted, "no row of that format in line 1"),
        (huge, "a value out of range in line 10"),
        (wrong_calendar, "a day that is out of order in line 10"),
        (measured_after_predicted, "does not say in line 11 whether UT1 is measured or predicted"),
        (no_flag, "does not say in line 10 whether UT1 is measured or predicted"),
        (only_predictions, "holds no measured UT1 - UTC"),
        (csv, "no row of that format in line 1"),
        (lambda content: [], "holds no measured UT1 - UTC"),
        (lambda content: [b"\0" * 4000], "no row of that format in line 1"),
    ],
)
def test_bad_tables(tmp_path, damage, said):
    """A table that is cut, mixed up or of another format is refused, by line where one is to blame."""
    path = written(tmp_path, damage(lines()))
    with pytest.raises(SkyError) as caught:
        circumstances(STRAIT, D2027, constants=Constants(earth_rotation=path))
    text = str(caught.value)
    assert said in text
    assert str(path) in text
    assert "\n" not in text
    assert "Mend: give an unaltered finals2000A.all" in text


@pytest.mark.parametrize("name", ["none.all", "."])
def test_no_file(tmp_path, name):
    """A path to nothing, and to a folder, is named."""
    with pytest.raises(SkyError, match=r"Earth rotation table .* cannot be (opened|read).*Mend:"):
        load_table(tmp_path / name)


def test_lines_ends_of_windows(tmp_path):
    """A table saved with carriage returns is the same table."""
    path = written(tmp_path, [line.rstrip(b"\r\n") + b"\r\n" for line in lines()])
    assert np.array_equal(load_table(path).ut1_minus_utc_s, installed_table().ut1_minus_utc_s)
