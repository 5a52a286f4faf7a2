"""HEAD wherever there is a GET: the same answer without its content (RFC 9110, 9.3.2)."""

from starlette.types import ASGIApp, Message, Receive, Scope, Send


class AnswersHead:
    """Middleware: a HEAD runs as the GET, and its content is not sent."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on."""
        if scope["type"] != "http" or scope["method"] != "HEAD":
            await self.app(scope, receive, send)
            return

        async def without_content(message: Message) -> None:
            await send({**message, "body": b""} if message["type"] == "http.response.body" else message)

        await self.app({**scope, "method": "GET"}, receive, without_content)
