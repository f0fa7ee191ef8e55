"""Stated probabilities against simulated stack-ups: how often contact and band overlap."""

import itertools
import math

import numpy as np
import pytest

from bandscan.steps.landing import plan_landing
from tests.stack_ups import simulate

STACK_UPS = 10_000


@pytest.mark.study
@pytest.mark.parametrize("readings", [0, 3])
def test_probabilities_are_calibrated(readings, capsys):
    rng = np.random.default_rng(2024)
    stated = np.empty(STACK_UPS)
    happened = np.empty(STACK_UPS, dtype=bool)
    verdicts = []
    for i in range(STACK_UPS):
        seal, bands, happened[i] = simulate(rng, scatter_readings=readings)
        lip = plan_landing(bands, seal).lips[0]
        stated[i] = lip.probability_on_band
        verdicts.append(lip.verdict)
    verdicts = np.array(verdicts)
    with capsys.disabled():
        _print_tables(stated, happened, verdicts, readings)
    for verdict, wrong in (("fresh", happened), ("on band", ~happened)):
        assert wrong[verdicts == verdict].mean() < 0.05
    if readings == 0:  # with few readings the tool is wide on purpose
        for low, high, chosen in _bins(stated):
            spread = math.sqrt(float((stated * (1.0 - stated))[chosen].sum()))
            excess = happened[chosen].sum() - stated[chosen].sum()
            assert abs(excess) < 3.9 * spread + 1.0, (low, high)  # 1 in 10 000 a bin


def _bins(stated):
    edges = [0.0, 0.01, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0]
    for low, high in itertools.pairwise(edges):
        chosen = (stated >= low) & ((stated < high) if high < 1.0 else (stated <= high))
        if chosen.any():
            yield low, high, chosen


def _print_tables(stated, happened, verdicts, readings):
    what = f"{readings} readings of the lip" if readings else "stated uncertainties"
    print(f"\n{len(stated)} stack-ups, {what}")
    print("stated P(overlap)   cases   mean stated   happened")
    for low, high, chosen in _bins(stated):
        print(
            f"  {low:4.2f} to {high:4.2f}    {chosen.sum():6d}   {stated[chosen].mean():9.4f}"
            f"   {happened[chosen].mean():9.4f}"
        )
    for verdict in ("fresh", "undecided", "on band"):
        chosen = verdicts == verdict
        print(f"  {verdict:10s} {chosen.sum():6d} cases, overlap in {happened[chosen].mean():.4f}")
