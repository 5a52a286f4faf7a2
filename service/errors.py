"""The one error tree: every error the API answers with is one of these, as an RFC 9457 problem."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar


@dataclass(frozen=True)
class Fault:
    """One thing wrong with a request."""

    pointer: str = field(
        metadata={"description": "JSON Pointer (RFC 6901) into the body, or the name of a query parameter"}
    )
    code: str = field(metadata={"description": "stable, machine-readable"})
    detail: str = field(metadata={"description": "for people; never parse it"})


class Problem(Exception):
    """Base of all answers that are not a success; subclasses fix status, type and title."""

    status: ClassVar[int] = 500
    slug: ClassVar[str] = "internal"
    title: ClassVar[str] = "Something went wrong on our side"

    def __init__(
        self, detail: str = "", faults: Sequence[Fault] = (), headers: dict[str, str] | None = None, **extra: Any
    ):
        super().__init__(detail or self.title)
        self.detail = detail or self.title
        self.faults = list(faults)
        self.headers = headers or {}
        self.extra = extra

    def document(self) -> dict[str, Any]:
        """The body of the answer."""
        return {
            "type": f"/problems/{self.slug}",
            "title": self.title,
            "status": self.status,
            "detail": self.detail,
            "errors": [vars(fault) for fault in self.faults],
            **self.extra,
        }


class Malformed(Problem):
    """The request cannot be read: not JSON, a forged cursor, a bad header."""

    status, slug, title = 400, "malformed", "The request cannot be read"


class Unauthorised(Problem):
    """No key, or one that is unknown, expired or revoked."""

    status, slug, title = 401, "unauthorised", "A valid key is needed"

    def __init__(self, detail: str = "") -> None:
        super().__init__(detail, headers={"WWW-Authenticate": "Bearer"})


class Forbidden(Problem):
    """The key is good, but lacks the scope."""

    status, slug, title = 403, "forbidden", "This key may not do that"


class NotFound(Problem):
    """Not there, or another practice's: the answer is the same."""

    status, slug, title = 404, "not-found", "There is no such thing here"


class MethodNotAllowed(Problem):
    """The path exists, the method does not."""

    status, slug, title = 405, "method-not-allowed", "Method not allowed here"


class Conflict(Problem):
    """The request contradicts what is stored."""

    status, slug, title = 409, "conflict", "That contradicts what is stored"


class PreconditionFailed(Problem):
    """If-Match names an older version."""

    status, slug, title = 412, "precondition-failed", "It has changed since you read it"


class TooLarge(Problem):
    """The body is over the limit."""

    status, slug, title = 413, "too-large", "The body is too large"


class UnsupportedMedia(Problem):
    """The content type is none of those the route reads."""

    status, slug, title = 415, "unsupported-media", "That content type is not read here"


class Invalid(Problem):
    """The request can be read but not accepted; `errors` lists every fault."""

    status, slug, title = 422, "invalid", "Some fields need another look"

    @classmethod
    def field(cls, pointer: str, code: str, detail: str) -> "Invalid":
        """One fault, in one field."""
        return cls(detail, [Fault(pointer=pointer, code=code, detail=detail)])


class PreconditionRequired(Problem):
    """A change of a versioned resource came without If-Match."""

    status, slug, title = 428, "precondition-required", "Say which version you are changing"


class Unavailable(Problem):
    """Not ready to serve."""

    status, slug, title = 503, "unavailable", "Not ready"


def tree() -> list[type[Problem]]:
    """All problem types, by status."""
    return sorted([Problem, *Problem.__subclasses__()], key=lambda problem: (problem.status, problem.slug))
