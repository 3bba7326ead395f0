"""What the plan takes where nobody says otherwise: every other default is nothing, or no."""

from __future__ import annotations

import math

from tests.assumed import slipped

APART = frozenset({"search", "sale", "model", "settling", "placing", "probing", "quick_plans"})
INVENTED = {"Climate.temperature_c", "Climate.relative_humidity_pct", "Climate.altitude_m"}  # of an invented place
ASSUMED = {
    # a lot, as the sampling room has it for want of tests: bags differ by 0.75 point, readings by 0.3
    "CaseLot.moisture_se_pct": 0.3,
    "CaseLot.bag_sd_pct": 0.75,
    "CaseLot.reading_sd_pct": 0.3,
    "CaseLot.sieved_kg": 1.0,  # one kg was sieved
    "CaseLot.harvest_step": 1,  # each week of harvest is compared
    "DryingChoice.load_kg_m2": 20.0,
    "DryingChoice.handling_loss": 0.005,  # half a per cent is lost in handling
    "DryingChoice.points_per_day": 1.5,  # of invented cases
    "StorageChoice.bags_per_unit": 1,  # bags, no vessels
    "CropPrice.weekly_sd": 0.03,
    "CropPrice.wait": True,
    "CaseBuyer.price_factor": 1.0,  # the market's price
    "CaseBuyer.refused_factor": 0.7,  # what is refused goes for seven tenths, as `selling.SPOT_SHARE`
    "Truck.capacity_kg": 3000.0,
    "Truck.trips_per_week": 2,
    "Reserve.evenly": True,
    "PlanningCase.interest_monthly": 0.02,
    "PlanningCase.emergency_interest_monthly": 0.1,
    "PlanningCase.certainty": 0.9,
    "PlanningCase.start_delays": (0, 1),  # drying begins at once or a week later
    "PlanningCase.advances": True,
    "LotRules.bag_kg": 90.0,
    "Surroundings.cover_in_rain": True,
    "mass_parts.alive_share": 1.0,  # all of it, as of grain that is no seed
    "Kept.alive_share": 1.0,
    "compare_plans.threshold": 0.01,
    "StoredLot.moisture_sd": 0.5,
    "StoredLot.sieved_kg": 1.0,
    "StoredLot.verdict_risk": 0.05,  # one in twenty
    "StoredLot.freedom": math.inf,
    "CorrectedLot.fits": True,
}


def test_nothing_else_is_assumed_of_a_plan():
    assert set(slipped("planning", ASSUMED, APART)) <= INVENTED
