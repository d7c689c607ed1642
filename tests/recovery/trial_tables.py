"""The recovery trial's tables: figures by kind of night with bootstrap intervals over basins, one run alone or two side by side."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from recovery_worlds import KINDS

OURS = "snowtally"
DRAWS = 1000
"""Bootstrap draws of basins. Nights of one basin are not independent, so that whole basins are drawn."""

INTERVAL = (0.05, 0.95)


def interval(seeds: pd.Series, values: pd.DataFrame, finish: Callable[[pd.DataFrame], pd.DataFrame]) -> pd.DataFrame:
    """Return figures of nights and their 90 % bootstrap intervals over basins: index figure, columns value, low, high.

    Parameters
    ----------
    seeds, values : the basin of each night, and what is averaged over nights, missing values left out.
    finish : turns means, a row for each draw, into figures.
    """
    sums, counts = (part.groupby(seeds.to_numpy()).sum() for part in (values.fillna(0.0), values.notna()))
    basins = len(sums)
    drawn = np.random.default_rng(0).multinomial(basins, np.full(basins, 1 / basins), DRAWS)
    times = np.vstack([np.ones((1, basins)), drawn])
    with np.errstate(invalid="ignore"):
        means = (times @ sums.to_numpy(float)) / (times @ counts.to_numpy(float))
    figures = finish(pd.DataFrame(means, columns=values.columns))
    low, high = (
        figures.iloc[1:].quantile(list(INTERVAL)).to_numpy() if basins > 1 else np.full((2, figures.shape[1]), np.nan)
    )
    return pd.DataFrame({"value": figures.iloc[0], "low": low, "high": high})


def kinds_of(rows: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Return the rows of each kind of night that there is, and of all."""
    parts = [(kind, rows[rows["night"] == kind]) for kind in KINDS]
    return [*((kind, part) for kind, part in parts if len(part)), ("all", rows)]


def best_others(rows: pd.DataFrame) -> tuple[str, str]:
    """Return the simple methods of the least mean volume error and of the least cells' RMSE, of those that have every night."""
    others = rows[rows["method"] != OURS]
    nights = rows.loc[rows["method"] == OURS, ["seed", "date"]].drop_duplicates()
    whole = [name for name, group in others.groupby("method") if len(group) == len(nights)]
    others = others[others["method"].isin(whole)]
    if others.empty:
        return "", ""
    size = others.assign(size=others["error"].abs()).groupby("method")["size"].mean()
    cells = np.log(others["rmse"]).groupby(others["method"]).mean()
    return size.idxmin(), cells.idxmin()


def summary(rows: pd.DataFrame) -> str:
    """Return the trial's tables as text."""
    volume, cells, errors, levels = {}, {}, {}, {}
    for kind, part in kinds_of(rows):
        ours = part[part["method"] == OURS]
        best, best_cells = best_others(part) if kind != "all" else ("", "")
        theirs = _beside(part, ours, best, "error").abs()
        their_cells = _beside(part, ours, best_cells, "rmse")
        ours = ours.assign(best=theirs.to_numpy(), best_rmse=their_cells.to_numpy())
        told = interval(ours["seed"], _averaged(ours), _figures)
        volume[kind] = {
            "basins": ours["seed"].nunique(), "nights": len(ours), "error %": _text(told, "size", 100, ".1f"),
            "bias %": _text(told, "bias", 100, "+.1f"), "best simple method": best,
            "its error %": _text(told, "best", 100, ".1f"), "ours less its": _text(told, "lead", 100, "+.1f"),
        }  # fmt: skip
        cells[kind] = {
            "zone-bands %": _text(told, "bands", 100, ".1f"), "cells' RMSE ratio": _text(told, "ratio", 1, ".2f"),
            "to": best_cells, "density bias": _text(told, "density_bias", 1, "+.0f"),
            "RMSE": _text(told, "density_rmse", 1, ".0f"), "spatial sd": f"{told['value']['density_sd']:.0f}",
        }  # fmt: skip
        for level in LEVELS:
            errors[(kind, level)] = {
                "90 % holds": _text(told, f"{level}90", 100, ".0f"), "50 % holds": _text(told, f"{level}50", 100, ".0f"),
                "rms z": _text(told, f"{level}_rms_z", 1, ".2f"),
            }  # fmt: skip
        by_basin = np.sqrt(ours["basin_z"].pow(2).groupby(ours["seed"]).mean())
        levels[kind] = {"worst basin's rms z": f"{by_basin.max():.2f}", "seed": by_basin.idxmax(),
                        "basins over 2": int((by_basin > 2).sum()), "stated error %": f"{100 * ours['basin_se'].mean():.1f}"}  # fmt: skip
    methods = rows.assign(size=100 * rows["error"].abs()).pivot_table(index="method", columns="night", values="size")
    ours = rows[rows["method"] == OURS]
    like = ours.groupby("physics")[["true_mm", "variation", "r2_elevation", "site_ratio", "sites", "area_km2"]].median()
    parts = {
        "volume of the basin: mean absolute error, bias": pd.DataFrame(volume).T,
        "zone-bands (sum of absolute errors over the basin's volume), cells, density (kg/m3)": pd.DataFrame(cells).T,
        "stated errors": pd.DataFrame(errors).T, "by basin": pd.DataFrame(levels).T,
        "volume error % of every method": methods.reindex(columns=[k for k in KINDS if k in methods]).round(1),
        "the worlds, medians of nights": like.round(2),
    }  # fmt: skip
    note = "In brackets: 90 % bootstrap intervals over basins.\n"
    return note + "\n".join(f"\n{title}\n{table.to_string()}" for title, table in parts.items())


def _beside(part: pd.DataFrame, ours: pd.DataFrame, method: str, name: str) -> pd.Series:
    theirs = part[part["method"] == method].set_index(["seed", "date"])[name]
    return theirs.reindex(pd.MultiIndex.from_frame(ours[["seed", "date"]]))


LEVELS = ("cell", "band", "basin")


def _averaged(nights: pd.DataFrame) -> pd.DataFrame:
    """Return what is averaged over nights."""
    names = ["bands", "density_bias", "density_rmse", "density_sd", "best"]
    names += [f"{level}{figure}" for level in LEVELS for figure in ("90", "50", "_z2")]
    size = nights["error"].abs()
    ratio = np.log(nights["rmse"] / nights["best_rmse"])
    return (
        nights[names].assign(size=size, bias=nights["error"], lead=size - nights["best"], log_ratio=ratio).astype(float)
    )


def _figures(means: pd.DataFrame) -> pd.DataFrame:
    rms = {f"{level}_rms_z": np.sqrt(means[f"{level}_z2"]) for level in LEVELS}
    return means.assign(ratio=np.exp(means["log_ratio"]), **rms)


def _text(told: pd.DataFrame, name: str, factor: float, form: str) -> str:
    value, low, high = factor * told.loc[name, ["value", "low", "high"]].astype(float)
    if np.isnan(value):
        return ""
    return f"{value:{form}}" if np.isnan(low) else f"{value:{form}} ({low:{form}} to {high:{form}})"


def comparison(before: pd.DataFrame, after: pd.DataFrame) -> str:
    """Return two runs side by side over the nights that both have, with intervals of their difference paired by basin.

    A difference whose interval does not reach zero is marked with *.
    """
    both = _ours(before).merge(_ours(after), on=["seed", "date"], suffixes=("_before", "_after"))
    if both.empty:
        return "The two runs have no night in common."
    both = both.assign(night=both["night_after"])
    tables: dict[str, dict] = {name: {} for name, _, _ in _COMPARED}
    for kind, part in kinds_of(both):
        told = interval(part["seed"], _paired(part), _compared)
        for name, factor, form in _COMPARED:
            value = {side: factor * told.loc[f"{name}_{side}", "value"] for side in ("before", "after")}
            low, high = factor * told.loc[f"{name}_change", ["low", "high"]].astype(float)
            sure = "*" if low * high > 0 else ""
            tables[name][kind] = {"nights": len(part)} | {side: f"{one:{form}}" for side, one in value.items()}
            tables[name][kind]["change"] = _text(told, f"{name}_change", factor, f"+{form.lstrip('+')}") + sure
    return "\n".join(f"\n{name}\n{pd.DataFrame(table).T.to_string()}" for name, table in tables.items())


_COMPARED = (
    ("volume error %", 100, ".1f"), ("volume bias %", 100, "+.1f"), ("zone-bands %", 100, ".1f"), ("cells' RMSE, ratio", 1, ".3f"),
    ("density bias", 1, "+.1f"), ("density RMSE", 1, ".1f"), ("cells in 90 %", 100, ".0f"), ("cells in 50 %", 100, ".0f"),
    ("zone-bands in 90 %", 100, ".0f"), ("zone-bands in 50 %", 100, ".0f"), ("basin in 90 %", 100, ".0f"),
    ("basin in 50 %", 100, ".0f"), ("basin rms z", 1, ".2f"), ("zone-bands rms z", 1, ".2f"), ("cells rms z", 1, ".2f"),
)  # fmt: skip


def _ours(rows: pd.DataFrame) -> pd.DataFrame:
    return rows[rows["method"] == OURS]


def _paired(nights: pd.DataFrame) -> pd.DataFrame:
    """Return what is averaged over nights that both runs have."""
    out = {"log_ratio": np.log(nights["rmse_after"] / nights["rmse_before"])}
    for side in ("before", "after"):
        out[f"volume error %_{side}"] = nights[f"error_{side}"].abs()
        out[f"volume bias %_{side}"] = nights[f"error_{side}"]
        out[f"zone-bands %_{side}"] = nights[f"bands_{side}"]
        out[f"density bias_{side}"] = nights[f"density_bias_{side}"]
        out[f"density RMSE_{side}"] = nights[f"density_rmse_{side}"]
        for words, level in zip(("cells", "zone-bands", "basin"), LEVELS, strict=True):
            out |= {f"{words} in {share} %_{side}": nights[f"{level}{share}_{side}"] for share in (90, 50)}
            out[f"{words} rms z_{side}"] = nights[f"{level}_z2_{side}"]
    return pd.DataFrame(out).astype(float)


def _compared(means: pd.DataFrame) -> pd.DataFrame:
    rms = [name for name in means if "rms z" in name]
    means = means.assign(**{name: np.sqrt(means[name]) for name in rms})
    means["cells' RMSE, ratio_before"], means["cells' RMSE, ratio_after"] = 1.0, np.exp(means["log_ratio"])
    changes = {f"{name}_change": means[f"{name}_after"] - means[f"{name}_before"] for name, _, _ in _COMPARED}
    return means.assign(**changes)
