"""The pages as an organisation hosts them: secrets from the surroundings, and ``/health`` for a load balancer."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import streamlit as st
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from core.errors import StoreError
from core.group.database import check_open, default_url
from dashboard import hosting, state

HEALTH = "/health"
PATIENCE_SECONDS = 5.0


async def health(_request: Request) -> PlainTextResponse:
    """Answer 200 where the records can be read now, 503 with one word where they cannot."""
    try:
        await asyncio.wait_for(run_in_threadpool(check_open, default_url()), PATIENCE_SECONDS)
    except StoreError as error:
        return PlainTextResponse(f"records: {error.fault or 'unreadable'}\n", 503)
    except TimeoutError:
        return PlainTextResponse("records: slow\n", 503)
    return PlainTextResponse("ok\n")


@asynccontextmanager
async def _open_records(_app: st.App) -> AsyncIterator[None]:
    """Open the records before the first page is asked for; where that fails, the pages and `health` say why."""
    with suppress(state.UNREADABLE):
        await run_in_threadpool(state.open_records)
    yield


app = st.App(
    Path(__file__).with_name("app.py"),
    secrets=hosting.secrets(),
    lifespan=_open_records,
    routes=[Route(HEALTH, health)],
)
