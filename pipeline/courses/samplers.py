"""Samplers that are known to over-weigh: a published bias taken off, where the settings ask for it."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from snowtally.model.problems import Finding
from snowtally.model.rules.courses import SAMPLER_CORRECTION


def without_sampler_bias(samples: pd.DataFrame, bias: Mapping[str, float]) -> tuple[pd.DataFrame, list[Finding]]:
    """Return samples without their sampler's known bias, and findings.

    The bias is taken off SWE. Each sampler that is corrected gets one finding.

    Parameters
    ----------
    samples : site_id, date, swe_mm, sampler, file, line.
    bias : by the `sampler` column's text (upper and lower case alike), the share by which the sampler weighs too much: 0.084 for
        small-bore federal-type tubes, 0.026 to 0.040 for large-diameter ones (Beaudoin-Galaise and Jutras 2022, The Cryosphere
        16, 3199-3214). Samplers not named stay as they weigh.

    Notes
    -----
    SWE = weighed / (1 + bias). The sampler's uncertainty stays in the course's error either way: a mean bias says little of the
    one tube in hand.
    """
    findings = []
    named = samples["sampler"].str.strip().str.casefold()
    corrected = samples["swe_mm"].copy()
    for sampler, share in sorted(bias.items()):
        rows = samples[named.eq(sampler.strip().casefold()) & (samples["swe_mm"] > 0)]
        if rows.empty:
            continue
        corrected[rows.index] /= 1.0 + share
        findings.append(
            Finding(
                SAMPLER_CORRECTION,
                file=rows["file"].iloc[0],
                line=int(rows["line"].iloc[0]),
                start=str(rows["date"].min().date()),
                end=str(rows["date"].max().date()),
                evidence=f"sampler {sampler}: {len(rows)} cores, SWE divided by {1.0 + share:.3f}",
            )
        )
    return samples.assign(swe_mm=corrected), findings
