"""Surveys that several tests draw or write."""

from __future__ import annotations

import datetime as dt

import pytest

from controller.chart.files import Survey
from controller.sky import Site
from controller.sky.path import eclipse_path, standing


def make_survey(date: str, site: Site | None = None, name: str = "the site") -> Survey:
    """A survey of an eclipse, with rows every half hour."""
    path = eclipse_path(dt.date.fromisoformat(date))
    stands = None if site is None else standing(path, site)
    return Survey(path, tuple(path.rows(1800)), path.isochrones(1800, across=True), site, name, stands)


@pytest.fixture(scope="session")
def strait() -> Survey:
    """2027 from a headland north of the line."""
    return make_survey("2027-08-02", Site(36.12, -5.72, 150.0), "Cape & <Tower>")


@pytest.fixture(scope="session")
def pacific() -> Survey:
    """2023 April: hybrid, and across the antimeridian."""
    return make_survey("2023-04-20", Site(-8.9, 125.6, 10.0))


@pytest.fixture(scope="session")
def polar() -> Survey:
    """2021 June: annular over the North Pole, no site."""
    return make_survey("2021-06-10")
