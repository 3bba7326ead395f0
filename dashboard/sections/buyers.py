"""Buyers and offers: who pays what, deducts what, and what a delivery is worth with each today."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from core.group.lot_state import LotState
from core.group.records import Group
from core.group.selling import GATE, MARKET, SPOT_SHARE, Comparison, Delivery, buyer_book
from core.market.buyer_book import BOOK, BuyerBook, BuyerEntry, OfferEntry
from core.market.buyers import Bid, buyer_words
from dashboard import page, state
from dashboard.charts.buyers import bids_figure
from dashboard.forms.buyers import buyer_form, entry_words, offer_form, withdraw_form
from dashboard.names import crop_name
from dashboard.planning import compared, situation_now
from dashboard.text import _, day, literal, money, ngettext, number, percent, say, tongue

OTHER_LIMIT_PCT, OTHER_SD_PCT = 13.5, 0.3


def show() -> None:
    """Show the section."""
    page.start(_("With which buyer is a delivery worth most today?"))
    group = page.stop_if_no_group()
    with page.plain_errors():
        book = buyer_book(state.store(), group.id)
        compare(group, book)
        with page.details(_("Your buyers and offers")):
            show_book(group, book)
        with page.details(_("Record a buyer, an offer, or a change")):
            new_buyer, new_offer, out = st.tabs([_("A buyer"), _("An offer"), _("Withdraw")])
            with new_buyer, page.plain_errors():
                buyer_form(group, book)
            with new_offer, page.plain_errors():
                offer_form(group, book)
            with out, page.plain_errors():
                withdraw_form(group, book)
        show_entries(group)
    page.sources(
        _(
            "A buyer's scale and meter are learnt from loads that both sides weighed (Deliveries), drawn "
            "towards no difference while they are few (Gelman et al. 2013, section 2.5)."
        ),
        _("A buyer's price against the market's is learnt from the group's own sales, unless it is entered."),
        _("Posted deductions for moisture are 1.4 % a point for maize, 3 and 6 % for soya (grain buyers' sheets)."),
        _(
            "A refused load or a broken offer is taken to be sold on the spot at {share} of the market's price "
            "(no source: judgement)."
        ).format(share=percent(SPOT_SHARE)),
    )


def ask_delivery(group: Group, book: BuyerBook) -> tuple[Delivery, LotState | None] | None:
    """Ask what is to be sold; return it with its lot (None: another delivery), or None where there is no crop."""
    store = state.store()
    lots = [one.state for one in situation_now(group.id).lots if one.state.lot.use != "seed"]
    crops = sorted({item.lot.commodity for item in lots} | set(store.price_quotes(group.id)["commodity"]))
    if not crops:
        st.info(_("There are no lots and no prices yet. Enter a price, then buyers can be compared."))
        page.link("prices", _("Import prices"), "price_import")
        return None
    labels = [
        ngettext("lot {lot}: {bags} bag of {crop}", "lot {lot}: {bags} bags of {crop}", item.bags).format(
            lot=item.lot.label, bags=item.bags, crop=crop_name(item.lot.commodity)
        )
        for item in lots
    ]
    chosen = st.selectbox(
        _("What do you want to sell?"),
        [None, *range(len(lots))],
        1 if lots else 0,
        format_func=lambda at: _("another delivery") if at is None else labels[at],
        key="buyers_lot",
    )
    lot = None if chosen is None else lots[chosen]
    tag = "other" if lot is None else str(lot.lot.id)
    left, middle, right = st.columns(3)
    crop = lot.lot.commodity if lot else left.selectbox(_("Crop"), crops, format_func=crop_name, key="buyers_crop")
    mass = float(max(1.0, round(lot.mass_now_kg))) if lot else 2000.0
    known = lot.moisture if lot else None
    kg = (left if lot else middle).number_input(
        _("Kilograms"), 1.0, value=mass, step=100.0, format="%.0f", key=f"buyers_kg_{tag}"
    )
    moisture = (middle if lot else right).number_input(
        _("Moisture by our meter, %"),
        5.0,
        40.0,
        float(round(known.mean_pct, 1)) if known else 13.0,
        0.1,
        key=f"buyers_moisture_{tag}",
    )
    treated = st.checkbox(_("Carries a protectant"), bool(lot and lot.treated), key=f"buyers_treated_{tag}")
    delivery = Delivery(
        commodity=crop,
        mass_kg=kg,
        moisture_pct=moisture,
        moisture_sd_pct=float(known.standard_error_pct) if known else OTHER_SD_PCT,
        limit_pct=lot.limit.moisture_pct + 0.5 if lot else OTHER_LIMIT_PCT,
        treated=treated,
    )
    return delivery, lot


def compare(group: Group, book: BuyerBook) -> None:
    """Answer the section's question for one delivery."""
    top = st.container()
    asked = ask_delivery(group, book)
    if asked is None:
        return
    delivery, lot = asked
    if delivery.treated:
        with top:
            page.caution("chemicals")
            waiting_time(lot)
    found = compared(group.id, delivery, book)
    if found is None:
        crop = crop_name(delivery.commodity)
        st.warning(_("There is no market price of {crop} yet. Enter one under Import.").format(crop=crop))
        return
    if not found.taking:
        with top:
            page.answer(_("No buyer takes this delivery today."))
        return
    words = answer_words(group, found)
    with top:
        page.caution("advice")
        page.answer(words)
    unit = _("{currency} per kg").format(currency=group.currency)
    page.chart(bids_figure(found.taking, [bid_name(bid) for bid in found.taking], unit), alt=words, key="buyers_bids")
    page.table(bids_table(group, found, delivery), "buyers_table", "buyers_compared", open_cards=2)
    with page.details(_("What the comparison uses")):
        show_basis(group, found)


def waiting_time(lot: LotState | None) -> None:
    """Say from which day on treated grain may be sold."""
    first = None if lot is None else lot.free_from(state.today())
    if first is None:
        st.warning(_("Do not sell treated grain before the waiting time on the label has ended."))
    elif first > state.today():
        st.error(
            _("Do not sell or eat this lot before {date}: its waiting time has not ended.").format(date=day(first))
        )
    else:
        st.caption(_("The waiting time of this lot ended on {date}, by the label's days.").format(date=day(first)))


def answer_words(group: Group, found: Comparison) -> str:
    """Return the answer in one or two sentences."""
    best, gain, near = found.taking[0], found.gain_over_gate(), found.as_good()
    values = {
        "buyer": literal(bid_name(best)),
        "net": money(best.net_today_per_kg, group.currency),
        "gain": money(gain or 0.0, group.currency),
    }
    words = _("Today {buyer} is best: {net} per kg after deductions, transport and interest until payment.")
    if gain is not None:
        words = _(
            "Today {buyer} is best: {net} per kg after deductions, transport and interest until payment. That "
            "is {gain} per kg more than at the farm gate."
        )
    said = words.format(**values)
    if near is not None:
        said += " " + _("{other} is about as good.").format(other=literal(sentence(bid_name(near))))
    return said


def show_basis(group: Group, found: Comparison) -> None:
    """Say which market's price, which interest and which learnt prices the comparison uses."""
    interest = state.store().fact(group.id, "interest_monthly")
    st.markdown(
        _("Market's price: {price} per kg, {market}, {month}. Interest: {interest} a month ({origin}).").format(
            price=money(found.price, group.currency),
            market=literal(found.market.market or _("no market named")),
            month=str(found.market.monthly.prices.index[-1]),
            interest=percent(float(interest.value), 1),
            origin=page.origin_text(interest),
        )
    )
    for seller in found.sellers:
        if seller.basis is None:
            continue
        low, high = seller.basis.interval()
        st.markdown(
            ngettext(
                "{buyer} pays about {factor} of the market's price (8 in 10: {low} to {high}). Learnt from {n} month "
                "of own sales and prices.",
                "{buyer} pays about {factor} of the market's price (8 in 10: {low} to {high}). Learnt from {n} months "
                "of own sales and prices.",
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
    return say(buyer_words(bid.offer.name))


def sentence(text: str) -> str:
    """Return a text that begins a sentence."""
    return text[:1].upper() + text[1:]


def in_words(name: str) -> str:
    """Return a buyer's name, or the words for the two who are in no book."""
    return {MARKET: _("the market"), GATE: _("a trader at the farm gate")}.get(name, name)


def bids_table(group: Group, found: Comparison, delivery: Delivery) -> pd.DataFrame:
    """Return the comparison for people."""
    who = {seller.buyer.name: seller.buyer for seller in found.sellers}

    def why_not(bid: Bid) -> str:
        buyer = bid.offer.buyer if bid.offer is not None else who.get(bid.name)
        if buyer is not None and buyer.refuses_treated and delivery.treated:
            return _("refuses grain with a protectant")
        return _("does not take this crop or so little")

    return pd.DataFrame(
        [
            {
                _("Buyer or offer"): bid_name(bid),
                _("Worth today, per kg"): why_not(bid) if bid.refused else money(bid.net_today_per_kg, group.currency),
                _("Price after deductions"): money(bid.proceeds.price_per_kg, group.currency),
                _("Chance that it is accepted and paid"): percent(bid.proceeds.accepted_chance),
                _("Transport in all"): money(bid.proceeds.transport, group.currency),
                _("Kg taken"): number(bid.taken_kg, 0),
            }
            for bid in found.bids
        ]
    )


def show_book(group: Group, book: BuyerBook) -> None:
    """List buyers and offers."""
    buyers, offers = book.standing_buyers(), book.standing_offers(state.today())
    if not buyers:
        st.markdown(_("No buyer is recorded yet. The farm gate and the market are always compared."))
        return
    page.table([buyer_row(group, entry) for entry in buyers], "buyers_standing", "buyers")
    if offers:
        page.table([offer_row(group, entry) for entry in offers], "offers_standing", "offers")
    st.caption(_("The sale plan uses these terms. What nobody entered is marked 'assumed'."))


def deduction_words(entry: BuyerEntry) -> str:
    """Return a buyer's deductions for moisture in words."""
    cut = entry.buyer.deductions
    lines, base = [], cut.base_pct
    for upper, rate in cut.steps:
        lines.append(
            _("{rate} per point above {base} %").format(rate=percent(float(rate), 1), base=number(float(base or 0), 1))
        )
        base = upper
    return ", ".join(lines) or _("none")


def instrument_words(entry: BuyerEntry) -> str:
    """Return how a buyer's own scale and meter differ from ours, in words."""
    who, said = entry.buyer, []
    if who.own_meter is not None:
        loads = who.own_meter.deliveries
        said.append(
            ngettext("meter {points} points ({n} load)", "meter {points} points ({n} loads)", loads).format(
                points=tongue().figure(who.own_meter.mean, "+.1f"), n=loads
            )
        )
    if who.own_scale is not None:
        loads = who.own_scale.deliveries
        said.append(
            ngettext("scale {percent} % ({n} load)", "scale {percent} % ({n} loads)", loads).format(
                percent=tongue().figure(100 * who.own_scale.mean, "+.1f"), n=loads
            )
        )
    return ", ".join(said) or _("ours decide")


def buyer_row(group: Group, entry: BuyerEntry) -> dict[str, str]:
    """Return one buyer's terms in words."""
    who = entry.buyer

    def term(key: str, text: str) -> str:
        return text if key in entry.entered else _("{value} (assumed)").format(value=text)

    price = _("by offer only")
    if not entry.only_offers:
        price = percent(who.price_factor) if "price_factor" in entry.entered else _("learnt from own sales")
    limit = who.deductions.refusal_pct
    return {
        _("Buyer"): who.name,
        _("Price against the market's"): price,
        _("Deduction for moisture"): deduction_words(entry),
        _("Refuses above"): "–" if limit is None else f"{number(float(limit), 1)} %",
        _("Grain with a protectant"): _("refused") if who.refuses_treated else _("taken after the waiting time"),
        _("Crops"): ", ".join(crop_name(code) for code in who.commodities) or _("all"),
        _("Distance"): f"{number(who.distance_km, 0)} km",
        _("Truck"): term("trip_cost", money(who.trip_cost, group.currency)) if who.distance_km > 0 else _("collects"),
        _("Paid after, days"): term("pay_delay_days", number(who.pay_delay_days, 0)),
        _("Kg a week at that price"): term("weekly_quantity_kg", number(who.weekly_quantity_kg, 0)),
        _("Buyer's scale and meter − ours"): instrument_words(entry),
        _("Recorded"): f"{day(entry.changed_on)}, {entry.changed_by}",
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
        _("Recorded"): f"{day(entry.changed_on)}, {entry.changed_by}",
    }


def show_entries(group: Group) -> None:
    """Show all entries of the book, the newest first."""
    entries = state.store().events(group.id, BOOK)
    if not entries:
        return
    kinds = {"buyer": _("buyer"), "offer": _("offer"), "withdrawn": _("withdrawn"), "reversal": _("cancelled")}
    rows = [
        {
            _("Entry no."): entry.id,
            _("Date"): day(entry.on),
            _("Who"): entry.who,
            _("Kind"): kinds.get(entry.kind, entry.kind),
            _("About entry no."): str(entry.reverses or entry.payload.get("of") or entry.payload.get("buyer") or "–"),
            _("Terms"): entry_words(entry.payload, group),
        }
        for entry in reversed(entries)
    ]
    with page.details(
        ngettext("{n} entry of the book", "{n} entries of the book", len(entries)).format(n=len(entries))
    ):
        page.table(rows, "buyers_entries", "buyers_book")
