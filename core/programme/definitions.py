"""What every indicator means: what is counted, over what, in which unit, and where the definition comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from core.messages import Message, message

OWN = "definition of this project"
STAGES = "stage losses multiply, 1 - prod(1 - l): by hand; each stage is a part of the rest"


@dataclass(frozen=True)
class Definition:
    """What an indicator is.

    Parameters
    ----------
    key : str
        Name in files.
    label, numerator, denominator : Message
        What it is called, what is counted, over what.
    unit : str
        "%" (value kept as a fraction), "days", "readings", "times", "bags", or "money/t" (in the group's currency).
    proportion : bool
        True for yes-or-no counts, which get exact limits of chance.
    better : str
        "high" or "low".
    source : Message
        Where the definition comes from.
    """

    key: str
    label: Message
    numerator: Message
    denominator: Message
    unit: str
    proportion: bool
    better: str
    source: Message

    @property
    def money(self) -> bool:
        """Whether the value is in a currency."""
        return self.unit.startswith("money")

    @property
    def scale(self) -> float:
        """By how much a value is multiplied to be shown in the unit."""
        return 100.0 if self.unit == "%" else 1.0


def _definition(
    key: str, label: str, top: str, below: str, unit: str, proportion: bool, better: str, source: str = OWN
) -> Definition:
    return Definition(key, message(label), message(top), message(below), unit, proportion, better, message(source))


DEFINITIONS: Mapping[str, Definition] = {
    item.key: item
    for item in (
        _definition(
            "tested_before_bagging",
            "Lots tested before bagging",
            "lots with a reading up to the day of bagging",
            "lots bagged for storage",
            "%",
            True,
            "high",
        ),
        _definition(
            "dry_when_bagged",
            "Lots at or below the limit when bagged",
            "lots whose last reading before bagging is at or below the standard's limit",
            "lots tested before bagging",
            "%",
            True,
            "high",
        ),
        _definition(
            "dry_when_sold",
            "Lots at or below the limit when sold",
            "sales at or below the standard's limit",
            "sales with a moisture",
            "%",
            True,
            "high",
        ),
        _definition(
            "days_to_dry",
            "Days to dry",
            "days from harvest to the first reading at or below the limit (0 where it was dry before)",
            "lots with a harvest date that were read dry",
            "days",
            False,
            "low",
        ),
        _definition("readings_per_lot", "Readings per lot", "readings", "lots", "readings", False, "high"),
        _definition(
            "settled_share",
            "Readings taken after the meter settled",
            "readings marked as settled",
            "readings that say so or not",
            "%",
            False,
            "high",
        ),
        _definition(
            "loss_drying",
            "Dry matter lost in drying",
            "dry matter missing at a weighing after drying, each lot as a part of its own dry matter before",
            "lots weighed before and after with a moisture",
            "%",
            False,
            "low",
            STAGES,
        ),
        _definition(
            "loss_shelling",
            "Grain lost in shelling",
            "grain short of the usual turnout of 0.8, each lot as a part of the grain expected",
            "lots shelled from cobs with both masses",
            "%",
            False,
            "low",
            STAGES + "; turnout 0.8: judgement",
        ),
        _definition(
            "loss_cleaning",
            "Mass taken out in cleaning and sorting",
            "mass in less mass out on the same day, each lot as a part of the mass in",
            "lots cleaned or sorted with both masses",
            "%",
            False,
            "low",
            STAGES + "; foreign matter counts too",
        ),
        _definition(
            "loss_storage",
            "Dry matter lost from the last weighing to sale",
            "dry matter weighed in less dry matter sold, each lot as a part of its own",
            "lots sold whole, with mass and moisture at both ends",
            "%",
            False,
            "low",
            STAGES,
        ),
        _definition(
            "dry_matter_loss",
            "Loss over all recorded stages",
            "1 less the product of the parts that the stages keep",
            "stages with records (lots of the stage with fewest)",
            "%",
            False,
            "low",
            STAGES + "; SDG 12.3.1.a counts losses from production up to retail, of which these stages are a part",
        ),
        _definition(
            "price_against_market",
            "Price against the market of the same month",
            "price got over the reference market's price that month",
            "sales with a market price",
            "times",
            False,
            "high",
        ),
        _definition(
            "gain_on_harvest_sale",
            "Net gain over selling at harvest, realised",
            "money got, less interest since harvest and bags, less what the lot would have brought at harvest",
            "what the lots sold would have brought at harvest, at the group's usual part of the market price",
            "%",
            False,
            "high",
        ),
        _definition(
            "gain_planned",
            "Net gain over selling at once, as planned",
            "expected money of the plan kept, less interest, less what the same bags were worth that day",
            "what the bags in kept plans were worth on the day of the plan",
            "%",
            False,
            "high",
        ),
        _definition(
            "gain_expected_share",
            "Part of the gain expected at decision time that came in",
            "gain realised on bags sold after a plan was kept",
            "gain that the plan expected of the same bags, with what was known on that day",
            "%",
            False,
            "high",
            "definition of this project; hindsight is not in it",
        ),
        _definition(
            "cost_per_tonne_tested",
            "Cost of testing",
            "wear, upkeep, interest and losses in the meter's account",
            "tonnes of the lots tested",
            "money/t",
            False,
            "low",
        ),
        _definition(
            "meter_in_use",
            "Weeks in which the meter was used",
            "weeks with a reading or a counted test",
            "weeks in which a lot was drying (harvest to bagging, at most eight weeks)",
            "%",
            True,
            "high",
        ),
        _definition(
            "bags_per_test_day",
            "Bags tested on a day of use",
            "bags read",
            "days on which the meter was used",
            "bags",
            False,
            "high",
        ),
        _definition(
            "complete_readings",
            "Readings without a gap",
            "readings with temperature, humidity and the meter's moisture",
            "readings",
            "%",
            False,
            "high",
        ),
        _definition(
            "complete_lots",
            "Lots with a whole record",
            "lots with harvest date, mass of a bag, moisture when weighed and owner",
            "lots",
            "%",
            True,
            "high",
        ),
        _definition(
            "complete_sales",
            "Sales with a whole record",
            "sales with mass, price and moisture",
            "sales",
            "%",
            True,
            "high",
        ),
    )
}
DATA_QUALITY = ("complete_readings", "complete_lots", "complete_sales")
