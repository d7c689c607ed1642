"""Figures of held-out predictions with bootstrap intervals, and the paired difference of two runs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from snowtally.statistics.scores import crps_normal

Z90, Z50 = 1.6448536, 0.6744898
DRAWS, SEED = 1000, 1
INTERVAL = (0.05, 0.95)
"""The intervals hold nine in ten draws."""


@dataclass(frozen=True)
class Subject:
    """What is judged.

    Parameters
    ----------
    ours : column of the estimate that is judged.
    reference : column of the method that it must beat.
    others : columns of further methods.
    keys : columns that name a row.
    clusters : columns whose values are drawn in the bootstrap: rows that share one err alike.
    """

    ours: str
    reference: str
    others: tuple[str, ...]
    keys: tuple[str, ...]
    clusters: tuple[str, ...]


SITES = Subject("map", "line", ("inverse distance", "mean"), ("date", "site"), ("season", "site"))
DENSITY = Subject("model", "round mean", ("relation",), ("region", "date", "site"), ("season", "site"))


def figures(rows: pd.DataFrame, subject: Subject, weight: np.ndarray) -> pd.DataFrame:
    """Return the figures of weighted rows, one row for each draw of weights.

    Parameters
    ----------
    rows : observed, the subject's columns, se (of the error, point included), z, and in80 where limits were judged.
    weight : (draws, n).
    """

    def mean(values: pd.Series | np.ndarray) -> np.ndarray:
        return weight @ np.asarray(values, float) / weight.sum(axis=1)

    observed, ours = rows["observed"], rows[subject.ours]
    rmse = {
        name: np.sqrt(mean((rows[name] - observed) ** 2)) for name in (subject.ours, subject.reference, *subject.others)
    }
    bias = mean(ours - observed)
    found = {"mean": mean(observed)} | {f"RMSE {name}": values for name, values in rmse.items()}
    ratio = rmse[subject.ours] / rmse[subject.reference]
    found |= {"ratio": ratio, "bias": bias, "bias %": 100 * bias / found["mean"]}
    found |= {"in 90 %": 100 * mean(rows["z"].abs() < Z90), "in 50 %": 100 * mean(rows["z"].abs() < Z50)}
    if "in80" in rows:
        found["in p10..p90"] = 100 * mean(rows["in80"])
    found["rms z"] = np.sqrt(mean(rows["z"] ** 2))
    found["CRPS"] = mean(crps_normal(observed.to_numpy(), ours.to_numpy(), rows["se"].to_numpy()))
    return pd.DataFrame(found)


def whole(rows: pd.DataFrame) -> np.ndarray:
    """Return the weights of all rows alike, (1, n)."""
    return np.ones((1, len(rows)))


def drawn(rows: pd.DataFrame, clusters: tuple[str, ...], draws: int = DRAWS) -> np.ndarray:
    """Return bootstrap weights, (draws, n): how often each row's clusters were drawn, multiplied.

    Seasons and sites are drawn independently with replacement and a row counts as often as both (the pigeonhole bootstrap, Owen
    2007, Ann. Appl. Stat. 1, 386-411), since nights of a season and nights of a site err alike; a column of one value alone is
    not drawn.
    """
    rng = np.random.default_rng(SEED)
    weight = np.ones((draws, len(rows)))
    for name in clusters:
        number, values = pd.factorize(rows[name])
        if len(values) > 1:
            weight *= rng.multinomial(len(values), np.full(len(values), 1.0 / len(values)), draws)[:, number]
    # A draw in which no site met its season says nothing.
    return weight[weight.sum(axis=1) > 0]


def summary(rows: pd.DataFrame, subject: Subject, by: str) -> pd.DataFrame:
    """Return the figures by group and of all rows, these with the ends of their bootstrap interval."""
    groups = {str(name): part for name, part in rows.groupby(by)}
    table = {name: figures(part, subject, whole(part)).iloc[0] for name, part in groups.items()}
    table["all"] = figures(rows, subject, whole(rows)).iloc[0]
    ends = figures(rows, subject, drawn(rows, subject.clusters)).quantile(INTERVAL)
    table |= {f"all, {100 * end:.0f} %": ends.loc[end] for end in INTERVAL}
    counts = {name: len(part) for name, part in groups.items()} | {"all": len(rows)}
    columns = pd.DataFrame(table).T
    columns.insert(0, "rows", pd.Series(counts, dtype="Int64").reindex(columns.index))
    return columns


def difference(now: pd.DataFrame, before: pd.DataFrame, subject: Subject) -> pd.DataFrame:
    """Return each figure before and now, over the rows that both have, and now less before with its bootstrap interval.

    Raises
    ------
    ValueError : the runs share no row.
    """
    keys = list(subject.keys)
    shared = now[keys].merge(before[keys])
    if shared.empty:
        raise ValueError("the saved run and this one share no row: run the same dates, and the same judge")
    now, before = (shared.merge(rows, on=keys) for rows in (now, before))

    def less(weight: np.ndarray) -> pd.DataFrame:
        return figures(now, subject, weight) - figures(before, subject, weight)

    ends = less(drawn(now, subject.clusters)).quantile(INTERVAL)
    table = {
        "before": figures(before, subject, whole(before)).iloc[0],
        "now": figures(now, subject, whole(now)).iloc[0],
        "difference": less(whole(now)).iloc[0],
    } | {f"{100 * end:.0f} %": ends.loc[end] for end in INTERVAL}
    return pd.DataFrame(table).assign(rows=len(shared))
