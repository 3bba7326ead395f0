"""The group's situation for the pages: read once for each state of the records, its plan made beside the page."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
import streamlit as st

from core.advice import Choices, Situation, situation
from core.advice.read import content_key
from core.group.selling import Comparison, Delivery, compare_delivery
from core.market.buyer_book import BuyerBook
from core.market.stopping import LookBack
from core.planning.why import joint_against_alone, past_selling_prices, value_of_more
from dashboard import state
from dashboard.background import Job, Stopped, desk, wait_for
from dashboard.text import language

MOVING, ALONE = "Planning again with one limit moved at a time …", "Planning for each member alone …"

LOOKING_BACK = "Going back through the past years …"


def _key(group_id: int, choices: Choices) -> tuple[Any, ...]:
    return (*content_key(state.store(), group_id, state.now()), choices)


def situation_now(group_id: int, choices: Choices | None = None) -> Situation:
    """Return the situation; its plan has to be asked for by `planned`, lest the page waits for it."""
    return situation(state.store(), group_id, state.now(), choices or chosen(), desk().keep)


def planned(group_id: int, choices: Choices | None = None) -> Situation | None:
    """Return the situation with its plan made; None while it is being worked out (the page shows how far it is)."""
    made = choices or chosen()
    reading = situation_now(group_id, made)

    def work(job: Job) -> Situation:
        def tell(words: str, share: float, detail: float) -> bool:
            job.step, job.share, job.detail = words, share, detail
            if job.stop():
                raise Stopped
            return False

        found = reading.told_by(tell)
        for part in ("made", "season", "headline", "actions", "reasons", "assumed", "change"):
            getattr(found, part)
        return found

    found: Situation | None = wait_for(("situation planned", *_key(group_id, made)), work, "plan_work")
    return found


def drawn(now: Situation, name: str, draw: Callable[[], Any]) -> Any:
    """Return a figure of the situation in the reader's language, drawn once for each state of the records."""
    return desk().keep((f"figure {name}", *_key(now.group_id, now.choices), language()), draw)


def compared(group_id: int, delivery: Delivery, book: BuyerBook) -> Comparison | None:
    """Return what every buyer is worth for a delivery today, worked out once for each state of the records."""
    found: Comparison | None = desk().keep(
        ("delivery compared", *_key(group_id, Choices()), delivery),
        lambda: compare_delivery(state.store(), group_id, delivery, book, state.today()),
    )
    return found


def worths_of(now: Situation) -> pd.DataFrame | None:
    """Return what one more of each limit would be worth, None while it is being worked out."""

    def work(job: Job) -> pd.DataFrame:
        def heard(done: float) -> bool:
            job.step, job.share = MOVING, done
            return job.stop()

        return value_of_more(now.made.outlook, now.plan, watch=heard)

    found: pd.DataFrame | None = wait_for(("worths", *_key(now.group_id, now.choices)), work, "plan_more_work")
    return found


def alone_of(now: Situation) -> pd.DataFrame | None:
    """Return how members fare together and alone, None while it is being worked out."""

    def work(job: Job) -> pd.DataFrame:
        job.step, job.share = ALONE, 0.3
        return joint_against_alone(now.made.outlook, now.plan)

    found: pd.DataFrame | None = wait_for(("alone", *_key(now.group_id, now.choices)), work, "plan_alone_work")
    return found


def past_of(now: Situation, crop: str) -> LookBack | None:
    """Return what selling by price would have earned in past years, None while it is being worked out."""
    loss = float(state.store().fact(now.group_id, "market_loss_monthly").value)

    def work(job: Job) -> LookBack:
        job.step, job.share = LOOKING_BACK, 0.4
        return past_selling_prices(now.made.built.case, crop, loss)

    key = ("look back", *_key(now.group_id, now.choices), crop)
    found: LookBack | None = wait_for(key, work, "plan_look_back_work")
    return found


def chosen() -> Choices:
    """Return the choices made on the plan's page in this session."""
    kept = st.session_state.get("plan_choices")
    return kept if isinstance(kept, Choices) else Choices()
