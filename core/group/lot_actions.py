"""What is done to a lot between harvest and sale: shelling, cleaning, sorting, each dated, weighed and costed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any

from core.accounts.book import Book
from core.errors import InputError
from core.group.records import Event, Lot
from core.group.store import Store
from core.messages import Figure, Message
from core.reference_tables import reference_table

BOOK = "lot_actions"
KINDS = ("shelling", "cleaning", "sorting", "weighing")
FORM_AFTER = {"shelling": "threshed", "cleaning": "cleaned", "sorting": "cleaned"}
FAULTS = ("foreign_matter", "broken", "insect_damaged", "rotten_diseased", "discoloured", "shrivelled")


@dataclass(frozen=True, kw_only=True)
class LotAction:
    """One piece of work on a lot.

    Parameters
    ----------
    kind : str
        ``"shelling"``, ``"cleaning"``, ``"sorting"`` or ``"weighing"``.
    mass_in_kg, mass_out_kg : float
        Mass before and after.
    moisture_pct : float or None
        Moisture at the weighing after it, % wet basis.
    faults_before, faults_after : mapping of str to float
        Shares of faults, % by mass, where somebody counted them (see `FAULTS`).
    note : str
        What else should be known.
    """

    kind: str
    on: date
    mass_in_kg: float
    mass_out_kg: float
    bags_out: int
    moisture_pct: float | None = None
    cost: float = 0.0
    faults_before: Mapping[str, float] = field(default_factory=dict)
    faults_after: Mapping[str, float] = field(default_factory=dict)
    note: str = ""

    @property
    def turnout(self) -> float:
        """Mass out for each kg in."""
        return self.mass_out_kg / self.mass_in_kg


def expected_mass_out(kind: str, mass_in_kg: float, turnout: float = 0.8, loss: float = 0.02) -> float:
    """Return the mass to expect after a piece of work, kg.

    Parameters
    ----------
    kind : str
        See `KINDS`.
    turnout : float
        Grain for each kg of cobs, panicles or pods (0-1); counts in shelling only.
    loss : float
        Fraction lost or taken out.
    """
    if kind not in KINDS:
        raise InputError("'{kind}' is not one of {known}", kind=kind, known=", ".join(KINDS))
    if not 0 <= loss < 1 or not 0 < turnout <= 1 or mass_in_kg < 0:
        raise InputError("turnout and loss are fractions between 0 and 1, and mass is not below zero")
    if kind == "weighing":
        return mass_in_kg
    return mass_in_kg * (turnout if kind == "shelling" else 1.0) * (1 - loss)


def check_action(lot: Lot, action: LotAction) -> None:
    """Refuse what cannot be: more mass out than in, shelling shelled grain, no bags."""
    if action.kind not in KINDS:
        raise InputError("'{kind}' is not one of {known}", kind=action.kind, known=", ".join(KINDS))
    if action.mass_in_kg <= 0 or action.mass_out_kg <= 0:
        raise InputError("the mass before and after must be above zero")
    if action.kind != "weighing" and action.mass_out_kg > action.mass_in_kg:
        raise InputError(
            "{out} kg cannot come out of {before} kg; weigh again, or note the mass before as weighed",
            out=Figure(action.mass_out_kg, "g"),
            before=Figure(action.mass_in_kg, "g"),
        )
    if action.kind == "shelling" and lot.form in ("threshed", "cleaned"):
        raise InputError("this lot is shelled already")
    if action.bags_out < 1:
        raise InputError("say in how many bags the grain is afterwards")
    if action.cost < 0:
        raise InputError("a cost cannot be below zero")
    if action.moisture_pct is not None and not 0 <= action.moisture_pct < 100:
        raise InputError("moisture {value} % is outside 0-100", value=action.moisture_pct)


def lot_after(lot: Lot, action: LotAction) -> Lot:
    """Return the lot as it is after a piece of work, its bags weighed anew."""
    check_action(lot, action)
    return replace(
        lot,
        form=FORM_AFTER.get(action.kind, lot.form),
        bags=action.bags_out,
        bag_mass_kg=action.mass_out_kg / action.bags_out,
        weighed_moisture_pct=action.moisture_pct,
        weighed_on=action.on,
    )


def record_action(store: Store, lot: Lot, action: LotAction, who: str, at: datetime, token: str = "") -> int:
    """Write a piece of work into the book, change the lot, and return the entry's number.

    It is done to the bags that are left; a lot's bags are those and the bags that were sold of it.
    """
    changed = lot_after(lot, action)
    payload = {
        "lot_id": lot.id,
        "mass_in_kg": action.mass_in_kg,
        "mass_out_kg": action.mass_out_kg,
        "moisture_pct": action.moisture_pct,
        "bags_in": lot.bags,
        "bags_out": action.bags_out,
        "form_in": lot.form,
        "form_out": changed.form,
        "cost": f"{action.cost:.2f}",
        "faults_before": dict(action.faults_before),
        "faults_after": dict(action.faults_after),
        "note": action.note,
    }
    with store.by(who, at).transaction(lot.group_id, token) as inside:
        number = inside.append_event(lot.group_id, BOOK, action.kind, action.on, who, payload, at)
        sales = inside.sales(lot.group_id)
        sold = int(sales.loc[sales["lot_id"] == lot.id, "bags"].sum())
        inside.update_lot(replace(changed, bags=changed.bags + sold))
    return number


def actions_of_lot(events: Sequence[Event], lot_id: int) -> list[LotAction]:
    """Return the work on a lot in order, entries taken back left out."""
    return [_action(event) for event in Book(events).standing(*KINDS) if event.payload.get("lot_id") == lot_id]


def _action(event: Event) -> LotAction:
    known: dict[str, Any] = event.payload
    return LotAction(
        kind=event.kind,
        on=event.on,
        mass_in_kg=float(known["mass_in_kg"]),
        mass_out_kg=float(known["mass_out_kg"]),
        bags_out=int(known["bags_out"]),
        moisture_pct=known.get("moisture_pct"),
        cost=float(known.get("cost") or 0),
        faults_before=known.get("faults_before") or {},
        faults_after=known.get("faults_after") or {},
        note=known.get("note") or "",
    )


def grade(commodity: str, faults: Mapping[str, float]) -> tuple[int, Message] | None:
    """Return a lot's grade by its counted faults, with the fault that decides it; None where no table is known.

    Parameters
    ----------
    faults : mapping of str to float
        Shares of faults, % by mass; a fault that nobody counted does not count.

    Returns
    -------
    tuple of int and Message, or None
        1 is best; one more than the last grade means out of grade.
    """
    grades = reference_table("group", "grades.toml")
    table = next((row for row in grades.values() if row["commodity"] == commodity), None)
    if table is None or not faults:
        return None
    worst, deciding = 1, ""
    for name, share in faults.items():
        if name not in FAULTS or not 0 <= share <= 100:
            raise InputError("'{name}' with {share} % is not a known fault", name=name, share=share)
        reached = 1 + sum(share > limit for limit in table[name])
        if reached > worst:
            worst, deciding = reached, name
    if worst == 1:
        return 1, Message("grade 1: no counted fault exceeds it")
    words = "grade {grade} because of: {fault}" if worst <= 3 else "out of grade because of: {fault}"
    return worst, Message(words, {"grade": worst, "fault": Message(deciding.replace("_", " "))})
