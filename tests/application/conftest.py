"""The open database and practice of the store's tests."""

from tests.store.conftest import database as database
from tests.store.conftest import practice as practice
