"""Buyers and offers: who pays what, takes off what, and what a delivery brings from each today."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pandas as pd
import streamlit as st

from core.group.lot_state import current_lot_states
from core.group.own_crops import crops_of_group
from core.group.records import Group
from core.group.selling import (
    assumed_terms,
    buyer_book,
    reference_market,
    ways_to_sell,
    withdraw,
    write_buyer,
    write_offer,
)
from core.market.buyer_book import BOOK, AssumedTerms, BuyerBook, BuyerEntry, OfferEntry
from core.market.buyers import Bid, compare_bids
from dashboard import page, state
from dashboard.charts.buyers import bids_figure
from dashboard.forms.prices import crop_name
from dashboard.text import _, day, literal, money, ngettext, number, percent

DRY_PCT = 13.5
# What a refused load is sold on at, as a share of the market's price: as the sale plan takes it.
SPOT_SHARE = 0.7
# Bids nearer than this to the best are called the same: prices are not known better.
SAME = 0.02


def show() -> None:
    """Show the page."""
    page.start(
        _("Buyers and offers"),
        _("From which buyer does a delivery bring most today, after deductions, transport and waiting for the money?"),
    )
    group = page.stop_if_no_group()
    noted = st.session_state.pop("buyers_noted", None)
    if noted:
        st.success(noted)
    with page.plain_errors():
        book = buyer_book(state.store(), group.id)
        compare(group, book)
        show_book(group, book)
        st.subheader(_("Write into the book"))
        new_buyer, new_offer, out = st.tabs([_("A buyer"), _("An offer"), _("Withdraw")])
        with new_buyer, page.plain_errors():
            buyer_form(group, book)
        with new_offer, page.plain_errors():
            offer_form(group, book)
        with out, page.plain_errors():
            withdraw_form(group, book)
        show_entries(group)
    page.caution("advice")
    page.sources(
        [
            _(
                "A buyer's scale and meter are learnt from loads that both sides weighed (Deliveries), drawn "
                "towards no difference while they are few (Gelman et al. 2013, section 2.5)."
            ),
            _(
                "A buyer's price against the market's is learnt from the group's own sales to him, unless it is "
                "entered."
            ),
            _("Posted deductions for moisture are 1.4 % a point for maize, 3 and 6 % for soya (grain buyers' sheets)."),
            _(
                "A refused load or a broken offer is taken to be sold on the spot at {share} of the market's price "
                "(no source: judgement)."
            ).format(share=percent(SPOT_SHARE)),
        ]
    )


def compare(group: Group, book: BuyerBook) -> None:
    """Answer the page's question for one delivery."""
    store = state.store()
    quotes = store.price_quotes(group.id)
    lots = [
        item for item in current_lot_states(store, group.id, state.now()) if item.bags > 0 and item.lot.use != "seed"
    ]
    crops = sorted({item.lot.commodity for item in lots} | set(quotes["commodity"]))
    if not crops:
        st.info(_("No lots and no prices yet: enter a price on the page Prices, then buyers can be compared."))
        return
    top = st.container()
    chosen = st.selectbox(
        _("What is to be sold"),
        [None, *range(len(lots))],
        1 if lots else 0,
        format_func=lambda i: (
            _("another delivery")
            if i is None
            else _("lot {lot}: {bags} bags of {crop}").format(
                lot=lots[i].lot.label, bags=lots[i].bags, crop=crop_name(lots[i].lot.commodity)
            )
        ),
        key="buyers_lot",
    )
    lot = None if chosen is None else lots[chosen]
    tag = "other" if lot is None else str(lot.lot.id)
    left, *columns = st.columns(2 if lot else 3)
    middle, right = (left, columns[0]) if lot else columns
    crop = lot.lot.commodity if lot else left.selectbox(_("Crop"), crops, format_func=crop_name, key="buyers_crop")
    mass = middle.number_input(
        _("Kilograms"),
        1.0,
        value=float(max(1.0, round(lot.mass_now_kg))) if lot else 2000.0,
        step=100.0,
        format="%.0f",
        key=f"buyers_kg_{tag}",
    )
    known = lot.moisture.mean_pct if lot and lot.moisture else 13.0
    moisture = right.number_input(
        _("Moisture by our meter, %"), 5.0, 40.0, float(round(known, 1)), 0.1, key=f"buyers_moisture_{tag}"
    )
    treated = st.checkbox(
        _("Carries a protectant"),
        bool(lot and "protectant" in (lot.lot.storage_method or "")),
        key=f"buyers_treated_{tag}",
    )
    reference = reference_market(quotes[quotes["commodity"] == crop])
    if reference is None:
        st.warning(
            _("There is no market price of {crop} yet: enter one on the page Prices.").format(crop=crop_name(crop))
        )
        return
    price = float(reference.monthly.prices.iloc[-1])
    limit = lot.limit.moisture_pct + 0.5 if lot else DRY_PCT
    sellers = ways_to_sell(store, group.id, crop, reference.monthly.prices, book, limit, state.today())
    offers = [entry.offer for entry in book.standing_offers(state.today())]
    sd = lot.moisture.standard_error_pct if lot and lot.moisture else 0.3
    interest = store.facts(group.id)["interest_monthly"]
    bids = compare_bids(
        [seller.buyer for seller in sellers],
        offers,
        crop,
        price,
        SPOT_SHARE * price,
        mass,
        moisture,
        min(float(sd), 3.0),
        treated,
        state.today(),
        float(interest.value),
    )
    taking = [bid for bid in bids if not bid.refused]
    if not taking:
        with top:
            page.answer(_("No buyer takes this delivery today."))
        return
    best = taking[0]
    gate = next((bid for bid in taking if bid.name == "trader at the farm gate"), None)
    words = _("Today {buyer} brings most: {net} per kg after deductions, transport and waiting for the money").format(
        buyer=literal(bid_name(best)), net=money(best.net_today_per_kg, group.currency)
    )
    if gate is not None and gate is not best:
        words += _(", {gain} per kg more than the farm gate").format(
            gain=money(best.net_today_per_kg - gate.net_today_per_kg, group.currency)
        )
    near = next((bid for bid in taking[1:] if bid.net_today_per_kg > (1 - SAME) * best.net_today_per_kg), None)
    if near is not None:
        words += _("; {other} brings about the same").format(other=literal(bid_name(near)))
    with top:
        page.answer(words + ".")
    unit = _("{currency} per kg").format(currency=group.currency)
    page.chart(bids_figure(taking, [bid_name(bid) for bid in taking], unit), alt=words, key="buyers_bids")
    page.table(bids_table(group, bids), "buyers_table", "buyers_compared.csv")
    st.caption(
        _(
            "Market's price: {price} per kg, {market}, month {month}. Cost of money {interest} a month ({origin})."
        ).format(
            price=money(price, group.currency),
            market=literal(reference.market or _("no market named")),
            month=str(reference.monthly.prices.index[-1]),
            interest=percent(float(interest.value), 1),
            origin=page.origin_text(interest),
        )
    )
    learnt = [seller for seller in sellers if seller.basis is not None]
    for seller in learnt:
        low, high = seller.basis.interval()
        st.caption(
            ngettext(
                (
                    "{buyer} pays about {factor} of the market's price ({low} to {high} in 80 of 100 cases), learnt "
                    "from {n} month of own sales and quotes."
                ),
                (
                    "{buyer} pays about {factor} of the market's price ({low} to {high} in 80 of 100 cases), learnt "
                    "from {n} months of own sales and quotes."
                ),
                seller.basis.quotes,
            ).format(
                buyer=literal(sentence(in_words(seller.buyer.name))),
                factor=percent(seller.basis.factor),
                low=percent(low),
                high=percent(high),
                n=seller.basis.quotes,
            )
        )


def bid_name(bid: Bid) -> str:
    """Return the words for a buyer or an offer."""
    if bid.offer is None:
        return in_words(bid.name)
    return _("{buyer} (offer until {date})").format(buyer=bid.name, date=day(bid.offer.valid_until))


def sentence(text: str) -> str:
    """Return a text that begins a sentence."""
    return text[:1].upper() + text[1:]


def in_words(name: str) -> str:
    """Return a buyer's name, or the words for the two who are in no book."""
    return {"market": _("the market"), "trader at the farm gate": _("a trader at the farm gate")}.get(name, name)


def bids_table(group: Group, bids: list[Bid]) -> pd.DataFrame:
    """Return the comparison for people."""
    return pd.DataFrame(
        [
            {
                _("Buyer or offer"): bid_name(bid),
                _("Brings today, per kg"): _("not taken")
                if bid.refused
                else money(bid.net_today_per_kg, group.currency),
                _("Price after deductions"): money(bid.proceeds.price_per_kg, group.currency),
                _("Chance that it is accepted and paid"): percent(bid.proceeds.accepted_chance),
                _("Transport in all"): money(bid.proceeds.transport, group.currency),
                _("Kg taken"): number(bid.taken_kg, 0),
            }
            for bid in bids
        ]
    )


def show_book(group: Group, book: BuyerBook) -> None:
    """List buyers and offers as they stand."""
    st.subheader(_("Buyers and offers that stand"))
    buyers, offers = book.standing_buyers(), book.standing_offers(state.today())
    if not buyers:
        st.markdown(_("No buyer is in the book yet. The farm gate and the market are always reckoned with."))
        return
    page.table(pd.DataFrame([buyer_row(group, entry) for entry in buyers]), "buyers_standing", "buyers.csv")
    if offers:
        page.table(pd.DataFrame([offer_row(group, entry) for entry in offers]), "offers_standing", "offers.csv")
    st.caption(_("These terms go into the sale plan. What nobody entered is marked 'assumed'."))


def buyer_row(group: Group, entry: BuyerEntry) -> dict[str, str]:
    """Return one buyer's terms in words."""
    who = entry.buyer

    def term(key: str, text: str) -> str:
        return text if key in entry.entered else _("{value} (assumed)").format(value=text)

    cuts = _("none")
    if who.deductions.base_pct is not None:
        lines, base = [], who.deductions.base_pct
        for upper, rate in who.deductions.steps:
            lines.append(_("{rate} a point above {base} %").format(rate=percent(rate, 1), base=number(base, 1)))
            base = upper
        cuts = ", ".join(lines)
    instruments = []
    if who.own_meter is not None:
        instruments.append(
            _("meter {points:+.1f} points ({n} loads)").format(points=who.own_meter.mean, n=who.own_meter.deliveries)
        )
    if who.own_scale is not None:
        instruments.append(
            _("scale {percent:+.1f} % ({n} loads)").format(percent=100 * who.own_scale.mean, n=who.own_scale.deliveries)
        )
    price = _("by offer only")
    if not entry.only_offers:
        price = percent(who.price_factor) if "price_factor" in entry.entered else _("learnt from own sales")
    return {
        _("Buyer"): who.name,
        _("Crops"): ", ".join(crop_name(code) for code in who.commodities) or _("all"),
        _("Price against the market's"): price,
        _("Takes off for moisture"): cuts,
        _("Refuses above"): "–"
        if who.deductions.refusal_pct is None
        else f"{number(float(who.deductions.refusal_pct), 1)} %",
        _("Treated grain"): _("refused") if who.refuses_treated else _("taken"),
        _("Distance"): f"{number(who.distance_km, 0)} km",
        _("Truck"): term("trip_cost", money(who.trip_cost, group.currency)) if who.distance_km > 0 else _("collects"),
        _("Paid after, days"): term("pay_delay_days", number(who.pay_delay_days, 0)),
        _("Kg a week at that price"): term("weekly_quantity_kg", number(who.weekly_quantity_kg, 0)),
        _("Own instruments against ours"): ", ".join(instruments) or _("ours decide"),
        _("Last written"): f"{day(entry.changed_on)}, {entry.changed_by}",
    }


def offer_row(group: Group, entry: OfferEntry) -> dict[str, str]:
    """Return one offer in words."""
    offer = entry.offer
    chance = percent(offer.chance_not_honoured)
    return {
        _("Offer of"): offer.buyer.name,
        _("Crop"): crop_name(offer.commodity),
        _("Price per kg"): money(offer.price_per_kg, group.currency),
        _("At most, kg"): number(offer.quantity_kg, 0) if offer.quantity_kg < float("inf") else _("any"),
        _("From"): day(offer.valid_from),
        _("Until"): day(offer.valid_until),
        _("Chance that it is not kept"): chance
        if "chance_not_honoured" in entry.entered
        else _("{value} (assumed)").format(value=chance),
        _("Last written"): f"{day(entry.changed_on)}, {entry.changed_by}",
    }


def asked(
    place: Any,
    label: str,
    payload: dict[str, Any],
    key: str,
    tag: str,
    hint: str,
    scale: float = 1.0,
    low: float = 0.0,
    high: float | None = None,
) -> float | None:
    """Ask for one number that may stay unknown; return it in the book's unit."""
    before = payload.get(key)
    value = place.number_input(
        label,
        float(low),
        None if high is None else float(high),
        None if before is None else round(float(before) * scale, 6),
        key=f"buyers_{key}_{tag}",
        placeholder=hint,
    )
    return None if value is None else round(float(value) / scale, 9)


def assumed_word(value: float, digits: int = 0) -> str:
    """Return what an empty box stands for."""
    return _("assumed: {value}").format(value=number(value, digits))


def buyer_form(group: Group, book: BuyerBook) -> None:
    """Write down a buyer, or new terms of one."""
    store = state.store()
    assumed: AssumedTerms = assumed_terms(store.facts(group.id))
    standing = {entry.number: entry for entry in book.standing_buyers()}
    of = st.selectbox(
        _("Which buyer"),
        [0, *standing],
        format_func=lambda n: literal(standing[n].buyer.name) if n else _("a new one"),
        key="buyers_which",
    )
    old = dict(standing[of].payload) if of else {}
    tag = f"{of}_{standing[of].changes if of else len(book.buyers)}"
    with st.form(f"buyers_form_{tag}"):
        made: dict[str, Any] = {"of": of or None}

        def tick(place: Any, label: str, key: str) -> None:
            made[key] = place.checkbox(label, bool(old.get(key)), key=f"buyers_{key}_{tag}")

        def ask(
            place: Any, label: str, key: str, hint: str, scale: float = 1.0, low: float = 0.0, high: float | None = None
        ) -> None:
            made[key] = asked(place, label, old, key, tag, hint, scale, low, high)

        unknown = _("not known")
        left, right = st.columns(2)
        made["name"] = left.text_input(_("Name"), old.get("name", ""), key=f"buyers_name_{tag}").strip()
        made["commodities"] = right.multiselect(
            _("Crops (none chosen = all)"),
            list(crops_of_group(store, group.id)),
            old.get("commodities") or [],
            format_func=crop_name,
            key=f"buyers_crops_{tag}",
        )
        left, right = st.columns(2)
        ask(left, _("Pays, % of the market's price"), "price_factor", _("learnt from own sales"), 100, 0, 300)
        tick(right, _("Buys by offer only"), "only_offers")
        st.markdown(_("**Moisture and quality**"))
        left, right = st.columns(2)
        ask(left, _("Takes off above, % moisture"), "discount_from_pct", unknown, high=40)
        ask(
            right,
            _("… % of the price a point"),
            "discount_per_point",
            assumed_word(100 * assumed.discount_per_point, 1),
            100,
            0,
            50,
        )
        left, right = st.columns(2)
        ask(left, _("Takes off more above, % moisture"), "second_from_pct", unknown, high=40)
        ask(right, _("… % of the price a point from there on"), "second_per_point", unknown, 100, 0, 50)
        ask(st, _("Refuses above, % moisture"), "refuses_above_pct", unknown, high=40)
        left, right = st.columns(2)
        tick(left, _("Refuses grain with a protectant"), "refuses_treated")
        tick(right, _("Looks for insects, smell and damaged kernels"), "inspects")
        st.markdown(_("**Road and money**"))
        left, right = st.columns(2)
        ask(left, _("Distance, km (0 = collects)"), "distance_km", unknown)
        ask(
            right,
            _("Truck for one trip, {currency}").format(currency=group.currency),
            "trip_cost",
            _("assumed: by distance"),
        )
        left, right = st.columns(2)
        ask(left, _("The truck carries, kg"), "truck_kg", assumed_word(assumed.truck_kg))
        ask(right, _("Pays after, days"), "pay_delay_days", assumed_word(assumed.pay_delay_days), high=365)
        left, right = st.columns(2)
        ask(
            left,
            _("Takes a week before the price falls, kg"),
            "weekly_quantity_kg",
            assumed_word(assumed.weekly_quantity_kg),
        )
        ask(right, _("The rest sells lower by, %"), "price_fall", assumed_word(100 * assumed.price_fall), 100, 0, 90)
        left, right = st.columns(2)
        ask(left, _("Takes at least, kg"), "minimum_kg", assumed_word(0))
        ask(right, _("Fee or levy, % of the price"), "fee_share", assumed_word(0), 100, 0, 50)
        st.markdown(_("**Scale and meter**"))
        left, right = st.columns(2)
        tick(left, _("The buyer's own meter decides"), "own_meter")
        ask(right, _("It reads above ours, points"), "meter_offset_pct", _("learnt from loads"), 1, -5, 5)
        left, right = st.columns(2)
        tick(left, _("The buyer's own scale decides"), "own_scale")
        ask(right, _("It reads above ours, %"), "scale_offset", _("learnt from loads"), 100, -20, 20)
        sent = st.form_submit_button(_("Write into the book"), type="primary")
    if not sent:
        return
    kept = {key: value for key, value in made.items() if value is not None}
    write_buyer(store, group.id, kept, state.today(), state.who(), state.now())
    st.session_state["buyers_noted"] = _("Written into the book: {name}.").format(name=literal(made["name"]))
    st.rerun()


def offer_form(group: Group, book: BuyerBook) -> None:
    """Write down an offer, or new terms of one."""
    store = state.store()
    standing = {entry.number: entry for entry in book.standing_buyers()}
    if not standing:
        st.markdown(_("Write the buyer into the book first."))
        return
    offers = {entry.number: entry for entry in book.standing_offers(state.today())}
    of = st.selectbox(
        _("Which offer"),
        [0, *offers],
        format_func=lambda n: (
            _("{buyer}, offer until {date}").format(
                buyer=offers[n].offer.buyer.name, date=day(offers[n].offer.valid_until)
            )
            if n
            else _("a new one")
        ),
        key="buyers_which_offer",
    )
    old = dict(offers[of].payload) if of else {}
    tag = f"offer{of}_{offers[of].changes if of else len(book.offers)}"
    codes = list(crops_of_group(store, group.id))
    numbers = list(standing)
    assumed = assumed_terms(store.facts(group.id))
    with st.form(f"buyers_offer_form_{tag}"):
        left, right = st.columns(2)
        buyer = left.selectbox(
            _("Buyer"),
            numbers,
            numbers.index(old["buyer"]) if old.get("buyer") in numbers else 0,
            format_func=lambda n: literal(standing[n].buyer.name),
            key=f"buyers_offer_buyer_{tag}",
        )
        crop = right.selectbox(
            _("Crop"),
            codes,
            codes.index(old["commodity"]) if old.get("commodity") in codes else 0,
            format_func=crop_name,
            key=f"buyers_offer_crop_{tag}",
        )
        price = asked(left, _("Price, {currency} per kg").format(currency=group.currency), old, "price_per_kg", tag, "")
        quantity = asked(right, _("At most, kg"), old, "quantity_kg", tag, _("any"))
        first = left.date_input(
            _("From"), _date(old.get("valid_from")) or state.today(), key=f"buyers_offer_from_{tag}"
        )
        until = right.date_input(
            _("Until"),
            _date(old.get("valid_until")) or state.today() + timedelta(days=30),
            key=f"buyers_offer_until_{tag}",
        )
        chance = asked(
            left,
            _("Chance that it is not kept, %"),
            old,
            "chance_not_honoured",
            tag,
            assumed_word(100 * assumed.chance_not_honoured),
            100,
            0,
            100,
        )
        sent = st.form_submit_button(_("Write the offer into the book"), type="primary")
    if not sent:
        return
    made = {
        "of": of or None,
        "buyer": buyer,
        "commodity": crop,
        "price_per_kg": price,
        "quantity_kg": quantity,
        "valid_from": first.isoformat(),
        "valid_until": until.isoformat(),
        "chance_not_honoured": chance,
    }
    kept = {key: value for key, value in made.items() if value is not None}
    write_offer(store, group.id, kept, state.today(), state.who(), state.now())
    st.session_state["buyers_noted"] = _("Written into the book: an offer of {name}.").format(
        name=literal(standing[buyer].buyer.name)
    )
    st.rerun()


def _date(text: Any) -> date | None:
    return date.fromisoformat(text) if text else None


def withdraw_form(group: Group, book: BuyerBook) -> None:
    """Write that a buyer or an offer does not stand any more."""
    choices = {entry.number: literal(entry.buyer.name) for entry in book.standing_buyers()}
    choices |= {
        entry.number: _("{buyer}, offer until {date}").format(
            buyer=entry.offer.buyer.name, date=day(entry.offer.valid_until)
        )
        for entry in book.standing_offers(state.today())
    }
    undo_withdrawal(group, book)
    if not choices:
        st.markdown(_("There is nothing to withdraw."))
        return
    with st.form("buyers_withdraw", clear_on_submit=True):
        chosen = st.selectbox(
            _("Which buyer or offer"), list(choices), format_func=lambda n: choices[n], key="buyers_withdraw_which"
        )
        reason = st.text_input(_("Why"), key="buyers_withdraw_why")
        if not st.form_submit_button(_("Withdraw")):
            return
    withdraw(state.store(), group.id, chosen, reason.strip(), state.today(), state.who(), state.now())
    st.session_state["buyers_noted"] = _("Withdrawn: {name}. The book keeps its entries.").format(name=choices[chosen])
    st.rerun()


def undo_withdrawal(group: Group, book: BuyerBook) -> None:
    """Offer to let a withdrawn buyer or offer stand again.

    The withdrawal stays in the book, with the entry that undoes it.
    """
    store = state.store()
    gone = {e.number: e.buyer.name for e in book.buyers if e.withdrawn_on is not None}
    gone |= {
        e.number: _("{buyer} (offer until {date})").format(buyer=e.offer.buyer.name, date=day(e.offer.valid_until))
        for e in book.offers
        if e.withdrawn_on is not None and e.offer.valid_until >= state.today()
    }
    entries = store.events(group.id, BOOK)
    undone = {entry.reverses for entry in entries}
    for entry in entries:
        number = entry.payload.get("of")
        if entry.kind == "withdrawn" and entry.id not in undone and number in gone:
            left, right = st.columns([3, 1])
            left.markdown(_("Withdrawn on {date}: {name}").format(date=day(entry.on), name=literal(gone[number])))
            if right.button(_("Let it stand again"), key=f"buyers_again_{entry.id}"):
                store.append_event(group.id, BOOK, "reversal", state.today(), state.who(), {}, state.now(), entry.id)
                st.rerun()


def show_entries(group: Group) -> None:
    """Show all entries of the book, the newest first."""
    entries = state.store().events(group.id, BOOK)
    if not entries:
        return
    kinds = {"buyer": _("buyer"), "offer": _("offer"), "withdrawn": _("withdrawn"), "reversal": _("undone")}
    with st.expander(ngettext("{n} entry of the book", "{n} entries of the book", len(entries)).format(n=len(entries))):
        page.table(
            pd.DataFrame(
                [
                    {
                        _("No."): entry.id,
                        _("Date"): day(entry.on),
                        _("Who"): entry.who,
                        _("What"): kinds.get(entry.kind, entry.kind),
                        _("About no."): str(
                            entry.reverses or entry.payload.get("of") or entry.payload.get("buyer") or "–"
                        ),
                        _("Terms"): ", ".join(
                            f"{key} = {value}"
                            for key, value in entry.payload.items()
                            if key not in ("of", "buyer") and value not in ("", [], False)
                        ),
                    }
                    for entry in reversed(entries)
                ]
            ),
            "buyers_entries",
            "buyers_book.csv",
        )
