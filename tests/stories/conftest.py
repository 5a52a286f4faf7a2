"""The service as the tests of the API have it, on both databases."""

from tests.api.conftest import api as api
from tests.api.conftest import fresh as fresh
from tests.api.conftest import loop as loop
