"""A pool's season settled once more in plain fractions, line by line, beside the program's own settlement.

The second reckoning below shares no code with `core/pool`: masses and money are exact fractions, nothing is rounded, so
that both agree within the grams and coins that rounding moves (two shillings in some hundred thousand).
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal as D
from fractions import Fraction as F

import pytest

from core.pool.payout import (
    ADVANCED,
    BUYERS,
    CASH,
    FOR_METER,
    PAYABLE,
    books,
    buyer_accounts,
    first_payments_due,
    loan_accounts,
    lowest_cash,
    pay_by_member,
    payable_now,
)
from core.pool.prices import price_effects
from core.pool.season import replay
from core.pool.statements import make_statements
from tests.pool.helpers import delivery, event, sale

NEAR = 2  # money: gram and coin roundings
ORDERS = (["meter", "loans", "advances", "levies"], ["levies", "advances", "loans", "meter"])


def day(month: int, number: int) -> date:
    return date(2026, month, number)


def agreement(rule: str, order: list[str], step: str) -> dict:
    return {
        "base_pct": "13.5",
        "limit_pct": "16",
        "grade_factors": {"1": "1", "2": "0.9", "3": "0.75"},
        "week_factors": {"2026-W20": "1.04"},
        "first_payment_per_kg": "30",
        "levies": [
            {"name": "office", "kind": "per_kg", "amount": "2"},
            {"name": "school", "kind": "share", "amount": "0.03"},
        ],
        "step": step,
        "price_rule": rule,
        "order": order,
        "minimum_take_home": "0.6",
    }


def a_season(rule: str, order: list[str], step: str = "0.01") -> list:
    """Two pools, three grades, three members, two buyers, a sale taken back, a close, and a second season."""
    mill, gate = "Ridge Millers", "Gate traders"
    return [
        event(1, "terms", agreement(rule, order, step), day(1, 1)),
        event(2, "loan", {"member_id": 1, "principal": "9000", "monthly_rate": "0.02"}, day(2, 10)),
        event(3, "money_in", {"amount": "60000", "place": "bank"}, day(2, 1)),
        delivery(4, 1, "620.5", "14.2", "1", on=day(5, 5)),
        delivery(5, 2, "410", "12.6", "2", on=day(5, 12)),
        delivery(6, 3, "280", "15.1", "3", on=day(5, 13)),
        delivery(7, 1, "150", "13.9", "2", on=day(5, 19)),
        delivery(8, 2, "500", "13.0", "1", pool="beans", on=day(5, 6)),
        delivery(9, 3, "300", "14.0", "1", pool="beans", on=day(5, 7)),
        event(10, "payment", {"member_id": 2, "amount": "2500", "about": "advance"}, day(5, 14)),
        event(11, "payment", {"member_id": 3, "amount": "1700"}, day(5, 14)),
        event(12, "loss", {"pool": "maize", "dry_kg": "31.5", "kind": "insects and mould"}, day(5, 21)),
        event(13, "dues", {"amounts": {"1": "900", "3": "1100"}}, day(5, 20)),
        sale(14, "700", "13.4", "110", on=day(5, 25), buyer=mill, buyer_kg="694", buyer_deductions="310", costs="2600"),
        sale(15, "200", "13.0", "150", on=day(5, 26), buyer=gate),
        event(16, "reversal", {}, day(5, 27), reverses=15),
        sale(17, "450", "13.2", "140", pool="beans", on=day(5, 28), buyer=gate, costs="1500"),
        event(18, "loan_repaid", {"loan": 2, "amount": "1000"}, day(5, 15)),
        event(19, "buyer_payment", {"buyer": mill, "amount": "70000"}, day(6, 1)),
        event(20, "buyer_payment", {"buyer": gate, "amount": "50000"}, day(6, 2)),
        event(21, "written_off", {"buyer": gate, "amount": "6000"}, day(6, 3)),
        event(22, "charge", {"member_id": 2, "amount": "450", "about": "bags"}, day(6, 3)),
        delivery(23, 3, "220", "13.3", "1", on=day(6, 10)),
        sale(24, "480", "13.6", "125", on=day(6, 20), buyer=mill, costs="1900"),
        event(25, "money_out", {"amount": "5000", "place": "bank"}, day(6, 21)),
    ]


class Plain:
    """The settlement in plain fractions, entry by entry in order of day."""

    def __init__(self, rule: str, order: list[str], factors: bool = True) -> None:
        self.rule, self.order, self.factors = rule, order, factors
        self.lines: dict[str, dict[tuple, F]] = {"maize": {}, "beans": {}}
        self.loads: list[tuple] = []
        self.lost: dict[int, F] = {}

    def factor(self, grade: str, week: str) -> F:
        if not self.factors:
            return F(1)
        return {"1": F(1), "2": F(9, 10), "3": F(3, 4)}[grade] * (F(104, 100) if week == "20" else 1)

    def take(self, pool: str, mass: F, by_week: bool) -> dict[tuple, F]:
        held, gone = self.lines[pool], {}
        for week in sorted({line[2] for line in held}) if by_week else [None]:
            own = {line: kg for line, kg in held.items() if week in (None, line[2])}
            whole = sum(own.values())
            part = min(mass, whole)
            for line, kg in own.items() if whole else []:
                gone[line] = part * kg / whole
                held[line] -= gone[line]
            mass -= part
        return gone

    def run(self, events: list) -> None:
        undone = {item.reverses for item in events}
        for item in sorted(events, key=lambda item: (item.on, item.id)):
            p = item.payload
            if item.id in undone:
                continue
            if item.kind == "delivery":
                line = (p["member_id"], p["grade"], item.on.strftime("%V"))
                dry = F(p["gross_kg"]) * (100 - F(p["moisture_pct"])) / 100
                self.lines[p["pool"]][line] = self.lines[p["pool"]].get(line, F(0)) + dry
            elif item.kind == "loss":
                for line, kg in self.take(p["pool"], F(p["dry_kg"]), False).items():
                    self.lost[line[0]] = self.lost.get(line[0], F(0)) + kg
            elif item.kind == "sale":
                dry = F(p["loaded_kg"]) * (100 - F(p["loaded_moisture_pct"])) / 100
                gone = self.take(p["pool"], dry, self.rule == "by_week")
                money = F(p.get("buyer_kg", p["loaded_kg"])) * F(p["price_per_kg"]) - F(p.get("buyer_deductions", 0))
                self.loads.append((item, gone, money))

    def shares(self) -> list[tuple]:
        """By load: dry kg, money and costs by member."""
        weighed = [
            (item, gone, money, {line: kg * self.factor(line[1], line[2]) for line, kg in gone.items()})
            for item, gone, money in self.loads
        ]
        found = []
        for item, gone, money, weights in weighed:
            used = [weights]
            if self.rule == "pool_price":
                used = [other for one, _gone, _money, other in weighed if one.payload["pool"] == item.payload["pool"]]
            whole = sum(sum(one.values()) for one in used)
            dry, pay = {}, {}
            for one in used:
                for line, kg in one.items():
                    pay[line[0]] = pay.get(line[0], F(0)) + money * kg / whole
            for line, kg in gone.items():
                dry[line[0]] = dry.get(line[0], F(0)) + kg
            costs = {who: F(item.payload.get("costs", 0)) * kg / sum(dry.values()) for who, kg in dry.items()}
            found.append((item, dry, pay, costs))
        return found

    def member(self, who: int) -> dict:
        """What one member gets: every deduction as far as the least take-home (60 %) allows, in the agreed order."""
        gained = spent = kg = F(0)
        taken = dict.fromkeys(("meter", "loan", "advances", "office", "school"), F(0))
        principal, interest, months, due_on = F(0), F(0), 0, [day(3, 10), day(4, 10), day(5, 10), day(6, 10)]
        repaid = False
        for item, dry, pay, costs in self.shares():
            gained, spent = gained + pay.get(who, 0), spent + costs.get(who, 0)
            kg += dry.get(who, F(0)) / F(865, 1000)
            if who == 1:
                principal = F(9000) if not months and not repaid else principal
                for month in due_on[months:]:  # 2 % of what is due on the tenth; 1,000 brought back on 15 May
                    if month > day(5, 15) <= item.on and not repaid:
                        principal, interest, repaid = principal - (1000 - interest), F(0), True
                    if month <= item.on:
                        interest, months = interest + principal * F(2, 100), months + 1
                if item.on >= day(5, 15) and not repaid:
                    principal, interest, repaid = principal - (1000 - interest), F(0), True
            asked = {
                "meter": {1: 900, 3: 1100}.get(who, 0) - taken["meter"],
                "loan": principal + interest,
                "advances": (2500 if who == 2 else 0) - taken["advances"],
                "office": 2 * kg - taken["office"],
                "school": gained * F(3, 100) - taken["school"],
            }
            room = (gained - spent) * F(4, 10) - sum(taken.values())
            for kind in self.order:
                for name in {"levies": ("office", "school"), "loans": ("loan",)}.get(kind, (kind,)):
                    now = max(F(0), min(asked[name], room))
                    taken[name], room = taken[name] + now, room - now
                    if name == "loan":
                        to_interest = min(interest, now)
                        interest, principal = interest - to_interest, principal - (now - to_interest)
        return {"proceeds": gained, "costs": spent, **taken}


def plain_of(rule: str, order: list[str]) -> tuple[list, Plain]:
    events = a_season(rule, order)
    plain = Plain(rule, order)
    plain.run(events)
    return events, plain


@pytest.mark.parametrize("order", ORDERS, ids=["meter_first", "levies_first"])
@pytest.mark.parametrize("rule", ["by_sale", "pool_price", "by_week"])
def test_every_member_gets_what_the_plain_reckoning_gives(rule, order):
    events, plain = plain_of(rule, order)
    season = replay(events)
    assert season.refused == ()
    pays = pay_by_member(season)
    gate = next(row for row in plain.shares() if row[0].id == 17)
    for who, pay in pays.items():
        expected = plain.member(who)
        seen = {
            "proceeds": pay.proceeds,
            "costs": pay.costs,
            "meter": pay.meter,
            "loan": pay.loans,
            "advances": pay.advances,
            **pay.levies,
        }
        for name, amount in expected.items():
            assert float(seen.get(name, 0)) == pytest.approx(float(amount), abs=NEAR), (who, name)
        # 6,000 of the gate traders' load are never paid, borne as that load's money is shared
        lost = 6000 * gate[2].get(who, F(0)) / sum(gate[2].values())
        assert float(pay.written_off) == pytest.approx(float(lost), abs=NEAR)
        paid, charged = (1700 if who == 3 else 0), (450 if who == 2 else 0)
        assert (pay.paid, pay.charges, pay.advanced) == (paid, charged, 2500 if who == 2 else 0)
        off = sum(amount for name, amount in expected.items() if name not in ("proceeds", "costs"))
        home = expected["proceeds"] - expected["costs"] - lost - off - charged
        assert float(pay.take_home) == pytest.approx(float(home), abs=2 * NEAR)
        assert float(pay.due) == pytest.approx(float(home) - paid, abs=2 * NEAR)


@pytest.mark.parametrize("rule", ["by_sale", "pool_price", "by_week"])
def test_every_statement_shows_the_plain_kilograms(rule):
    """At 13.5 %: what each brought, had in each load, lost and still has; counted kg times price give the proceeds."""
    events, plain = plain_of(rule, ORDERS[0])
    season = replay(events)
    shares = {item.id: (dry, pay, costs) for item, dry, pay, costs in plain.shares()}
    for who, page in make_statements(season, price_effects(events)).items():
        for row in page.sales:
            dry, pay, costs = shares[row.sale.number]
            assert float(row.common_kg) == pytest.approx(float(dry.get(who, F(0))) / 0.865, abs=0.02)
            assert float(row.load_kg) == pytest.approx(float(sum(dry.values())) / 0.865, abs=0.02)
            assert float(row.proceeds) == pytest.approx(float(pay[who]), abs=NEAR)
            assert float(row.costs) == pytest.approx(float(costs.get(who, F(0))), abs=NEAR)
            assert float(row.load_costs) == float(row.sale.costs)
            assert float(row.load_money * row.counted_kg / row.all_counted_kg) == pytest.approx(
                float(pay[who]), abs=NEAR
            )
        assert {row.sale.number for row in page.sales} == {number for number, row in shares.items() if row[1].get(who)}
        left = sum(kg for held in plain.lines.values() for line, kg in held.items() if line[0] == who)
        assert float(page.in_store_kg) == pytest.approx(float(left) / 0.865, abs=0.02)
        assert float(page.lost_kg) == pytest.approx(float(plain.lost.get(who, F(0))) / 0.865, abs=0.02)
        assert float(page.delivered_kg) == pytest.approx(
            float(page.sold_kg + page.lost_kg + page.in_store_kg), abs=0.05
        )
        for row in page.deliveries:
            wet = row.delivery.moisture_pct
            assert float(row.common_kg) == pytest.approx(float(row.delivery.net_kg * (100 - wet)) / 86.5, abs=0.002)
            assert row.water_kg == row.delivery.net_kg - row.common_kg
        assert {item.kind for item in page.payments} <= {"payment", "charge"}
        assert [item.about for item in page.payments] == {2: ["advance", "bags"], 3: [""]}.get(who, [])
        assert [account.loan.member_id for account in page.loans] == ([1] if who == 1 else [])


@pytest.mark.parametrize("rule", ["by_sale", "pool_price", "by_week"])
def test_price_effects_together_lead_from_one_price_to_what_is_paid(rule):
    """One plain price for all, no grades: from there to the agreed one, every coin is named by an effect."""
    events, agreed = plain_of(rule, ORDERS[0])
    one_price = Plain("pool_price", ORDERS[0], factors=False)
    one_price.run(events)
    effects = price_effects(events)
    assert [effect.name for effect in effects] == ["grade", "week", *(["rule"] if rule != "pool_price" else [])]
    assert all(sum(effect.by_member.values()) == 0 for effect in effects)
    for who in (1, 2, 3):
        expected = agreed.member(who)["proceeds"] - one_price.member(who)["proceeds"]
        assert float(sum(effect.by_member[who] for effect in effects)) == pytest.approx(float(expected), abs=2 * NEAR)
    assert "2: 90 %" in str(effects[0].sentence)
    assert "week of 2026-05-11: 104 %" in str(effects[1].sentence)


def test_cash_by_day_and_buyers_debts_by_hand():
    """Cash: 60,000 in on 1 February; 9,000 lent: 51,000; 2,500 and 1,700 paid on 14 May: 46,800; 1,000 repaid:
    47,800; truck 2,600 and 1,500: 43,700, the lowest; 120,000 from buyers, 1,900 truck, 5,000 out: 156,800.
    Mill: 694 x 110 - 310 + 480 x 125 = 136,030, 70,000 paid. Gate: 450 x 140 = 63,000, 50,000 paid, 6,000 lost.
    """
    season = replay(a_season("by_sale", ORDERS[0]))
    assert lowest_cash(season) == (day(5, 28), D(43700))
    journal = books(season)
    assert journal.balance(CASH) == D(156800)
    accounts = buyer_accounts(season)
    mill, gate = accounts["Ridge Millers"], accounts["Gate traders"]
    assert (mill.loads, mill.paid, mill.written_off, mill.open, mill.ahead) == (136030, 70000, 0, 66030, 0)
    assert (gate.loads, gate.paid, gate.written_off, gate.open, gate.ahead) == (63000, 50000, 6000, 7000, 0)
    assert {who: D(money) for who, money in journal.party_balances(BUYERS).items()} == {
        "Gate traders": 7000,
        "Ridge Millers": 66030,
    }
    assert journal.balance(ADVANCED) == sum(pay.owes for pay in pay_by_member(season).values())
    assert season.member_ids() == [1, 2, 3]
    assert season.pools() == ["beans", "maize"]


def test_first_payments_by_hand():
    """30 a kg at 13.5 %, in whole tens, each delivery rounded by itself.

    A: 620.5 x 85.8 / 86.5 = 615.479 kg = 18,464.4 -> 18,460; 150 x 86.1 / 86.5 = 149.306 x 0.9 = 4,031.3 -> 4,030.
    B: 410 x 87.4 / 86.5 = 414.266 x 0.9 x 1.04 (week 20) = 11,632.6 -> 11,630; 500 x 87 / 86.5 = 502.890 = 15,086.7
    -> 15,090. C: 280 x 84.9 / 86.5 = 274.821 x 0.75 x 1.04 = 6,430.8 -> 6,430; 300 x 86 / 86.5 = 298.266 = 8,948.0
    -> 8,950; 220 x 86.7 / 86.5 = 220.509 = 6,615.3 -> 6,620.
    """
    season = replay(a_season("by_sale", ORDERS[0], step="10"))
    assert first_payments_due(season) == {1: 22490, 2: 26720, 3: 22000}


def test_a_season_that_follows_a_close_begins_anew():
    """By hand, no least take-home: per kg 2 and 10 % in both; the second season's levies are reckoned from its own
    load alone, and a pool price is one price a season.

    A first season: A and B 500 kg each, 1,000 kg at 100: 50,000 each; levies 1,000 and 5,000. Second: A 300, B 100,
    400 kg at 200 = 80,000: 60,000 and 20,000; levies 600 + 6,000 and 200 + 2,000.
    """
    levies = [{"name": "office", "kind": "per_kg", "amount": "2"}, {"name": "school", "kind": "share", "amount": "0.1"}]
    terms = {"step": "1", "price_rule": "pool_price", "base_pct": "13.5", "levies": levies}
    events = [
        event(1, "terms", terms, day(1, 1)),
        delivery(2, 1, "500", "13.5"),
        delivery(3, 2, "500", "13.5"),
        sale(4, "1000", "13.5", "100", on=day(5, 2)),
        event(5, "close", {"counted": "0"}, day(5, 20)),
        delivery(6, 1, "300", "13.5", on=day(6, 1)),
        delivery(7, 2, "100", "13.5", on=day(6, 1)),
        sale(8, "400", "13.5", "200", on=day(6, 2)),
    ]
    season = replay(events)
    pays = pay_by_member(season)
    assert {who: pay.proceeds for who, pay in pays.items()} == {1: 110000, 2: 70000}
    assert pays[1].levies == {"office": 1600, "school": 11000}
    assert pays[2].levies == {"office": 1200, "school": 7000}
    assert [season.place_of(when) for when in (day(5, 20), day(5, 21))] == [0, 1]


def test_cash_that_was_counted_above_the_book_is_an_income():
    """By hand: 100 in, 130 counted: 30 over; the book then holds 130."""
    events = [
        event(1, "money_in", {"amount": "100", "place": "bank"}, day(5, 1)),
        event(2, "close", {"counted": "130"}, day(5, 2)),
    ]
    journal = books(replay(events))
    assert journal.balance(CASH) == 130
    assert journal.balance("income:cash over and short") == -30
    for counted, over in (("100", 0), ("101", 1), ("99", -1)):
        events[1] = event(2, "close", {"counted": counted}, day(5, 2))
        assert books(replay(events)).balance("income:cash over and short") == -over


def test_a_loan_read_before_and_after_the_load_by_hand():
    """9,000 at 2 % from 10 February: 540 by 10 May; 1,000 on the 15th pay 540 and 460; 8,540 left, 170.80 on 10 June.

    With nothing sold before July nothing else comes in: 8,540 + 170.80 + 170.80 on 10 July.
    """
    events = [item for item in a_season("by_sale", ORDERS[0]) if item.kind not in ("sale", "written_off", "reversal")]
    season = replay(events)
    (account,) = loan_accounts(season, pay_by_member(season), day(7, 15))
    assert (account.principal_due, account.interest_due, account.repaid) == (D(8540), D("341.60"), D(1000))


def test_what_is_asked_or_lost_on_the_day_of_the_load_counts_that_day():
    """By hand: 1,000 for a load on 5 May. Meter 300 asked that day is taken off; so is half a coin never paid."""
    on = day(5, 5)
    events = [
        event(1, "terms", {"step": "1"}, day(1, 1)),
        delivery(2, 1, "10", "13.5", on=day(5, 1)),
        delivery(3, 2, "0.004", "13.5", on=day(5, 1)),
        event(4, "dues", {"amounts": {"1": "300"}}, on),
        event(5, "dues", {"amounts": {"1": "50"}}, day(5, 6)),
        event(6, "payment", {"member_id": 1, "amount": "100", "about": "advance"}, on),
        event(7, "payment", {"member_id": 1, "amount": "70", "about": "advance"}, day(5, 6)),
        sale(8, "10.004", "13.5", "100", on=on),
        event(9, "written_off", {"buyer": "Ridge Millers", "amount": "0.5"}, on),
    ]
    pays = pay_by_member(replay(events))
    assert (pays[1].proceeds, pays[1].meter, pays[1].advances) == (1000, 300, 100)
    assert pays[1].owes == 70
    assert (pays[1].written_off, pays[2].written_off) == (D("0.5"), 0)  # his grams came to no coin
    whole = [*events[:-1], event(9, "written_off", {"buyer": "Ridge Millers", "amount": "4E+2"}, on)]
    assert pay_by_member(replay(whole))[1].written_off == 400


@pytest.mark.parametrize(
    ("entry", "counts"),
    [
        (event(9, "payment", {"member_id": 1, "amount": "1"}), True),
        (event(9, "payment", {"member_id": 1, "amount": "0"}), False),
        (event(9, "payment", {"member_id": 1, "amount": "-1"}), False),
        (event(9, "cash_count", {"amount": "0", "place": "box"}), True),
        (event(9, "cash_count", {"amount": "-1", "place": "box"}), False),
        (sale(9, "100", "13.5", "2", buyer_deductions="200"), True),
        (sale(9, "100", "13.5", "2", buyer_deductions="200.01"), False),
        (sale(9, "100", "3", "2"), False),  # 97 kg dry: more than the 86.5 there are
        (sale(9, "50", "3", "2"), True),
        (sale(9, "50", "2.9", "2"), False),
        (sale(9, "50", "45", "2"), True),
        (sale(9, "50", "45.1", "2"), False),
        (sale(9, "50", "13", "0"), True),
        (sale(9, "50", "13", "-1"), False),
        (sale(9, "50", "13", "2", costs="-1"), False),
        (sale(9, "50", "13", "2", buyer_kg="0"), True),
        (sale(9, "50", "13", "2", buyer_kg="-1"), False),
        (sale(9, "50", "13", "2", buyer_deductions="-1"), False),
        (event(9, "loss", {"pool": "maize", "dry_kg": "86.5"}), True),
        (event(9, "loss", {"pool": "maize", "dry_kg": "86.501"}), False),
        (event(9, "loss", {"pool": "maize", "dry_kg": "0"}), False),
        (event(9, "loss", {"pool": "maize", "dry_kg": "1", "kind": "moon"}), False),
        (event(9, "dues", {"amounts": {"1": "1"}}), True),
        (event(9, "dues", {"amounts": {"1": "0"}}), False),
        (event(9, "close", {"counted": "0"}), True),
        (event(9, "close", {"counted": "-1"}), False),
    ],
    ids=lambda item: f"{item.kind}-{sorted(item.payload.items())}" if hasattr(item, "kind") else str(item),
)
def test_the_edge_of_what_an_entry_may_say(entry, counts):
    """A pool of 100 kg at 13.5 %: 86.5 kg dry."""
    assert (replay([delivery(1, 1, "100", "13.5"), entry]).refused == ()) is counts


def test_a_page_counts_interest_to_the_last_entry_and_its_deductions_begin_with_the_load():
    """By hand: 1,000 lent on 1 January at 1 %, grain brought on 1 March, sold on 1 April: three months, 30.

    Without an agreement both grades are paid alike: 100 kg at 10 are 500 each.
    """
    events = [
        event(1, "loan", {"member_id": 1, "principal": "1000", "monthly_rate": "0.01"}, day(1, 1)),
        delivery(2, 1, "50", "13.5", "1", on=day(3, 1)),
        delivery(3, 2, "50", "13.5", "2", on=day(3, 1)),
        sale(4, "100", "13.5", "10", on=day(4, 1)),
    ]
    pages = make_statements(replay(events))
    assert pages[1].loans[0].interest == 30
    assert (pages[1].pay.loans, pages[1].loans[0].still_due) == (500, 530)
    assert (pages[1].pay.proceeds, pages[2].pay.proceeds) == (500, 500)
    assert pages[2].pay.take_home == pages[2].pay.due == 500
    assert (pages[2].pay.owes, pages[2].pay.short) == (0, {})


def test_cash_is_paid_out_in_whole_coins_by_hand():
    """The smallest coin is 50: of 1,230 in the cash 1,200 can be paid, 600 to each of two to whom 1,000 are due."""
    events = [
        event(1, "terms", {"step": "50"}, day(1, 1)),
        delivery(2, 1, "100", "13.5"),
        delivery(3, 2, "100", "13.5"),
        sale(4, "200", "13.5", "10", on=day(5, 2)),
        event(5, "buyer_payment", {"buyer": "Ridge Millers", "amount": "1230"}, day(5, 3)),
    ]
    season = replay(events)
    assert payable_now(season, pay_by_member(season)) == {1: 600, 2: 600}
    rich = replay([*events, event(6, "money_in", {"amount": "770", "place": "bank"}, day(5, 4))])
    assert payable_now(rich, pay_by_member(rich)) == {1: 1000, 2: 1000}


def test_a_single_coin_is_settled_and_posted_too():
    """By hand: 1 kg at 1 is 1; of it the meter's 1 is taken, nothing is left. 3 kg at 1, a third of it a levy: 1."""
    terms = {"step": "1", "minimum_take_home": "0", "order": ["meter", "loans", "advances", "levies"]}
    brought, loads = [delivery(2, 1, "1", "13.5")], [sale(3, "1", "13.5", "1", on=day(5, 2))]
    dues = event(4, "dues", {"amounts": {"1": "1"}}, day(5, 1))
    season = replay([event(1, "terms", terms, day(1, 1)), *brought, dues, *loads])
    (pay,) = pay_by_member(season).values()
    assert (pay.proceeds, pay.meter, pay.take_home) == (1, 1, 0)
    journal = books(season)
    assert (journal.balance(BUYERS), journal.balance(FOR_METER), journal.balance(PAYABLE)) == (1, -1, 0)
    levies = [{"name": "office", "kind": "per_kg", "amount": "0.34"}]
    costly = sale(3, "3", "13.5", "1", on=day(5, 2), costs="1")
    season = replay([event(1, "terms", terms | {"levies": levies}, day(1, 1)), delivery(2, 1, "3", "13.5"), costly])
    journal = books(season)
    assert pay_by_member(season)[1].levies == {"office": 1}
    assert (journal.balance("income:office"), journal.balance(CASH), journal.balance(PAYABLE)) == (-1, -1, -1)


def test_a_buyers_account_and_the_books_say_the_same_of_what_is_never_paid():
    """100 written off before the first load are borne by nobody: they pay no part of the 2,000 of that load either."""
    events = [
        event(1, "written_off", {"buyer": "Ridge Millers", "amount": "100"}, day(5, 1)),
        delivery(2, 1, "200", "13.5", on=day(5, 2)),
        sale(3, "200", "13.5", "10", on=day(5, 3)),
        event(4, "written_off", {"buyer": "Ridge Millers", "amount": "300"}, day(5, 4)),
    ]
    season = replay(events)
    account = buyer_accounts(season)["Ridge Millers"]
    assert (account.loads, account.written_off, account.open) == (2000, 300, 1700)
    assert books(season).party_balances(BUYERS)["Ridge Millers"] == 1700
