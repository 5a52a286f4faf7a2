"""Fault tests use the practice of the jobs' tests."""

from tests.jobs.conftest import practice as practice
