"""Some of the trap-years of assembled data, without assembling them again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

from phenofit.errors import ModelError
from phenofit.flight.likelihood.flight_data import FlightData


def subset(data: FlightData, keep: npt.NDArray[np.bool_]) -> FlightData:
    """Return the data of some trap-years."""
    chosen = np.flatnonzero(keep)
    if chosen.size == 0:
        raise ModelError("no trap-year would be left.")
    edges = [np.arange(data.edge_of[i], data.edge_of[i + 1]) for i in chosen]
    catches = [np.arange(data.catch_of[i], data.catch_of[i + 1]) for i in chosen]
    edge, catch = np.concatenate(edges), np.concatenate(catches)
    edge_of = np.concatenate([[0], np.cumsum([len(e) for e in edges])]).astype(np.int64)
    catch_of = np.concatenate([[0], np.cumsum([len(c) for c in catches])]).astype(np.int64)
    moved = np.repeat(edge_of[:-1] - data.edge_of[chosen], [len(c) for c in catches])
    table = data.table.iloc[chosen].reset_index(drop=True)
    counts = data.catch_count[catch]
    exact = counts[data.catch_open[catch] == 0]
    return replace(
        data,
        table=table,
        edge_of=edge_of,
        edge_series=data.edge_series[edge],
        edge_day=data.edge_day[edge],
        edge_part=data.edge_part[edge],
        edge_weight=data.edge_weight[edge],
        edge_anomaly=data.edge_anomaly[edge] if data.edge_anomaly.size else data.edge_anomaly,
        catch_of=catch_of,
        catch_left=data.catch_left[catch] + moved,
        catch_right=data.catch_right[catch] + moved,
        catch_count=counts,
        catch_effort=data.catch_effort[catch],
        catch_share=data.catch_share[catch],
        catch_open=data.catch_open[catch],
        whole=data.whole[chosen],
        constant=float(gammaln(table["total"].to_numpy() + 1.0).sum() - gammaln(exact + 1.0).sum()),
    )
