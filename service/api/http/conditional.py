"""Versioned resources: ETag out, If-Match in (RFC 9110 section 13, RFC 6585 section 3)."""

from typing import Annotated

from fastapi import Header, Response

from service.errors import PreconditionFailed, PreconditionRequired

IfMatch = Annotated[str | None, Header(description="the ETag of the version you are changing")]


def tag(revision: int) -> str:
    """The strong entity tag of a revision."""
    return f'"r{revision}"'


def show_version(response: Response, revision: int) -> None:
    """Put the ETag on a response."""
    response.headers["ETag"] = tag(revision)


def check_version(if_match: str | None, revision: int, required: bool = True) -> None:
    """Compare If-Match with the stored revision, before anything is changed.

    Raises
    ------
    PreconditionRequired
        428, if the header is missing where it is required.
    PreconditionFailed
        412, if it names another version.
    """
    if if_match is None:
        if required:
            raise PreconditionRequired("send If-Match with the ETag that you read")
        return
    if if_match.strip() != "*" and tag(revision) not in [item.strip() for item in if_match.split(",")]:
        raise PreconditionFailed(f"the present version is {tag(revision)}; read it again, then decide")
