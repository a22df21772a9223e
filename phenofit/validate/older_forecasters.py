"""The rules from before the likelihood as forecasters of half of a flight."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import ndtri

from phenofit.errors import ModelError
from phenofit.files.tables import nearest
from phenofit.forecasting.date_draws import SeasonWalk
from phenofit.forecasting.event_heat import HeatDraws
from phenofit.validate.forecasters import FixedDates, Outlook, Setting, Target, start_of

if TYPE_CHECKING:
    from phenofit.records import Records

OLDER = "older rule"


def check_rules(rules: Sequence[str]) -> None:
    """Refuse a rule that is not known."""
    from phenofit.flight.baselines.rule_search import RULES

    for rule in rules:
        if rule not in RULES:
            raise ModelError(
                f"there is no older rule '{rule}'; there are {', '.join(RULES)}.{nearest(rule, RULES)}"
            )


class OlderRule:
    """Base and requirement by a rule from before the likelihood; its spread is the SD of the heat at the event."""

    covariates: tuple[str, ...] = ()

    def __init__(self, train: Records, observed: pd.DataFrame, rule: str, setting: Setting) -> None:
        from phenofit.flight.baselines.rules import older_rules

        self.setting = setting
        dates = observed.loc[observed["event"] == "flight_50", ["trap_year", "flight", "observed"]]
        table = older_rules(train, heat=setting.model.heat, events=dates, rules=(rule,), jackknife=False)
        found = table.dropna(subset=["base", "requirement"])
        if found.empty:
            raise ModelError(f"the rule gives no base ({'; '.join(table['note'].astype(str).unique())}).")
        self.answers = {
            int(row["flight"]): (float(row["base"]), float(row["requirement"]), float(row["spread"]))
            for row in found.to_dict("records")
        }

    def outlook(self, target: Target, flight: int, events: tuple[str, ...]) -> Outlook | None:
        """Return the date of half of the flight; the rules know no other event."""
        if "flight_50" not in events or flight not in self.answers:
            return FixedDates({})
        start = start_of(self.setting, self.setting.season, target)
        if start is None:
            return None
        base, requirement, spread = self.answers[flight]
        number = self.setting.draws
        # In a random order, so that the draws are independent of the seasons that continue the weather.
        order = np.random.default_rng(self.setting.seed).permutation(number)
        amount = requirement + spread * ndtri((order + 0.5) / number)
        draws = HeatDraws(np.full(number, base), amount[:, np.newaxis], ("flight_50",))
        return SeasonWalk(draws, target.season(self.setting.season, start), self.setting.model.heat)
