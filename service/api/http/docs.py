"""The interactive API documentation, served whole from this process: the page works with no network."""

from importlib.metadata import version

from fastapi import FastAPI, HTTPException, Request
from fastapi.openapi.docs import get_swagger_ui_html
from fastapi.responses import FileResponse, HTMLResponse
from swagger_ui_bundle import swagger_ui_path

ASSETS = ("swagger-ui-bundle.js", "swagger-ui.css", "favicon-32x32.png")
ASSETS_VERSION = version("swagger-ui-bundle-v2")

# The browser itself refuses whatever the page might ask of another host.
CONTENT_SECURITY_POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
    "object-src 'none'; base-uri 'none'; frame-ancestors 'none'"
)


def mount_docs(app: FastAPI, openapi_url: str = "/openapi.json", docs_url: str = "/docs") -> None:
    """Add the documentation page, its assets and a root that points to them to the app, outside the OpenAPI schema.

    Parameters: the app, made with `docs_url=None` and `redoc_url=None`, whose own pages load a content network;
    the path of its OpenAPI document; the path of the page. Behind a proxy both follow the request's root path.
    Raises ValueError where the app still has a page of its own.
    """
    if app.docs_url or app.redoc_url:
        raise ValueError("make the app with docs_url=None and redoc_url=None: its own pages need the network")

    @app.get("/", include_in_schema=False)
    async def root(request: Request) -> dict[str, str]:
        before = request.scope.get("root_path", "").rstrip("/")
        return {"service": app.title, "docs": f"{before}{docs_url}", "openapi": f"{before}{openapi_url}"}

    @app.get(docs_url, include_in_schema=False)
    async def docs(request: Request) -> HTMLResponse:
        root = request.scope.get("root_path", "").rstrip("/")
        assets = f"{root}{docs_url}/{ASSETS_VERSION}"
        page = get_swagger_ui_html(
            openapi_url=f"{root}{openapi_url}",
            title=app.title,
            swagger_js_url=f"{assets}/swagger-ui-bundle.js",
            swagger_css_url=f"{assets}/swagger-ui.css",
            swagger_favicon_url=f"{assets}/favicon-32x32.png",
            swagger_ui_parameters={"validatorUrl": None},  # the default sends the schema to a public validator
        )
        page.headers["Content-Security-Policy"] = CONTENT_SECURITY_POLICY
        return page

    @app.get(f"{docs_url}/{ASSETS_VERSION}/{{asset}}", include_in_schema=False)
    async def docs_asset(asset: str) -> FileResponse:
        if asset not in ASSETS:
            raise HTTPException(404)
        return FileResponse(swagger_ui_path / asset, headers={"Cache-Control": "public, max-age=31536000, immutable"})
