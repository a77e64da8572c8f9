"""Files of 100 MB with a line break in every record, and three hundred small ones: too long for every change."""

from conftest import SmallFleet
from test_reader_traps import check_breaks_in_calls, check_breaks_in_readings, check_small_files


def test_100_mb_of_readings_with_a_break_in_every_record(fleet: SmallFleet) -> None:
    check_breaks_in_readings(fleet, 230_000, 100_000_000)


def test_100_mb_of_calls_with_a_break_in_every_record(fleet: SmallFleet) -> None:
    check_breaks_in_calls(fleet, 180_000, 100_000_000)


def test_three_hundred_small_logger_files(fleet: SmallFleet) -> None:
    check_small_files(fleet, 300)
