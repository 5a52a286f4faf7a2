"""Clients over kept connections that cost little themselves: each sends its next request when it has the answer."""

import asyncio
import time
from collections.abc import Iterator
from dataclasses import dataclass
from statistics import median, quantiles
from urllib.parse import urlsplit

import orjson

WITHIN_S = 120


@dataclass(frozen=True)
class Load:
    """What came back: the statuses other than the one expected, and how long each request took."""

    others: tuple[int, ...]
    latencies_s: tuple[float, ...]

    @property
    def p50_ms(self) -> float:
        """Half were faster."""
        return 1000 * median(self.latencies_s)

    @property
    def p99_ms(self) -> float:
        """One in a hundred was slower."""
        return 1000 * quantiles(self.latencies_s, n=100)[-1]


def request(path: str, body: dict[str, object], key: str = "") -> bytes:
    """A POST as it goes over the wire."""
    content = orjson.dumps(body)
    head = (
        f"POST {path} HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {key}\r\n"
        f"Content-Type: application/json\r\nContent-Length: {len(content)}\r\n\r\n"
    )
    return head.encode() + content


async def send(url: str, requests: list[bytes], clients: int, expected: int = 201) -> Load:
    """Send all requests by so many clients at once."""
    waiting, latencies, others = iter(requests), [], []
    where = urlsplit(url)

    async def one(requests: Iterator[bytes]) -> None:
        reader, writer = await asyncio.open_connection(where.hostname, where.port)
        for sent in requests:
            begun = time.perf_counter()
            writer.write(sent)
            status = await _answer(reader)
            latencies.append(time.perf_counter() - begun)
            if status != expected:
                others.append(status)
        writer.close()
        await writer.wait_closed()

    async with asyncio.timeout(WITHIN_S), asyncio.TaskGroup() as group:
        for _ in range(clients):
            group.create_task(one(waiting))
    return Load(tuple(others), tuple(latencies))


async def _answer(reader: asyncio.StreamReader) -> int:
    head = await reader.readuntil(b"\r\n\r\n")
    length = next(line for line in head.lower().split(b"\r\n") if line.startswith(b"content-length:"))
    await reader.readexactly(int(length.partition(b":")[2]))
    return int(head[9:12])
