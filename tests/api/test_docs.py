"""The documentation page loads with no network: every address in it is this service's own."""

import re
from html.parser import HTMLParser

import pytest
from fastapi import FastAPI
from httpx import ASGITransport, AsyncClient

from service.api.http.docs import ASSETS, mount_docs


class Addresses(HTMLParser):
    """Every address that a browser would fetch for a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [value for name, value in attrs if name in ("src", "href") and value]


def app_with_docs() -> FastAPI:
    app = FastAPI(title="Steelyard", docs_url=None, redoc_url=None)
    mount_docs(app)
    return app


def client(app: FastAPI, root_path: str = "") -> AsyncClient:
    return AsyncClient(transport=ASGITransport(app, root_path=root_path), base_url="http://steelyard.test")


async def test_the_page_and_all_it_loads_come_from_this_service() -> None:
    async with client(app_with_docs()) as http:
        page = await http.get("/docs")
        assert page.status_code == 200
        assert page.headers["content-type"].startswith("text/html")
        assert not re.search(r"(?:https?:)?//[\w.-]+\.\w", page.text), "an address of another host"
        assert "'/openapi.json'" in page.text
        assert '"validatorUrl": null' in page.text
        addresses = Addresses(page.text).found
        assert {address.rsplit("/", 1)[1] for address in addresses} == set(ASSETS)
        for address in addresses:
            asset = await http.get(address)
            assert asset.status_code == 200
            assert len(asset.content) > 300


async def test_the_root_says_where_to_go_on() -> None:
    async with client(app_with_docs(), root_path="/coach") as http:
        said = await http.get("/")
        assert said.json() == {"service": "Steelyard", "docs": "/coach/docs", "openapi": "/coach/openapi.json"}
    async with client(app_with_docs()) as http:
        places = (await http.get("/")).json()
        assert [(await http.get(places[name])).status_code for name in ("docs", "openapi")] == [200, 200]


async def test_the_browser_is_told_to_refuse_other_hosts() -> None:
    async with client(app_with_docs()) as http:
        policy = (await http.get("/docs")).headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "http" not in policy


async def test_the_assets_understand_openapi_3_1() -> None:
    """FastAPI emits OpenAPI 3.1, which Swagger UI reads from version 5.0.0 on (its release notes, May 2023)."""
    async with client(app_with_docs()) as http:
        schema = (await http.get("/openapi.json")).json()
        addresses = Addresses((await http.get("/docs")).text).found
    assert schema["openapi"].startswith("3.1")
    assert not [path for path in schema["paths"] if path.startswith("/docs")]
    majors = {int(re.search(r"/docs/(\d+)\.", address)[1]) for address in addresses}
    assert min(majors) >= 5


async def test_other_files_of_the_package_are_not_served() -> None:
    async with client(app_with_docs()) as http:
        script = next(a for a in Addresses((await http.get("/docs")).text).found if a.endswith(".js"))
        for name in ("index.html", "swagger-ui-bundle.js.map", "..%2f..%2f__init__.py"):
            assert (await http.get(script.replace("swagger-ui-bundle.js", name))).status_code == 404


async def test_behind_a_proxy_the_addresses_follow_the_root_path() -> None:
    async with client(app_with_docs(), root_path="/coach") as http:
        page = (await http.get("/coach/docs")).text
        assert "'/coach/openapi.json'" in page
        for address in Addresses(page).found:
            assert address.startswith("/coach/docs/")
            assert (await http.get(address)).status_code == 200


def test_an_app_with_a_page_of_its_own_is_refused() -> None:
    with pytest.raises(ValueError, match="docs_url=None"):
        mount_docs(FastAPI())
