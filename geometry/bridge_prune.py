"""Bridges that later ones made needless are taken out again, the dearest first."""

from collections.abc import Callable, Sequence
from typing import Final

import networkx
import numpy as np
import shapely
from numpy.typing import NDArray

from geometry.bridge_plan import Plan
from geometry.bridge_tree import lying_apart
from geometry.findings import Finding

TRIALS: Final = 80
LEAST_TRIALS: Final = 2
MOST_TRIALS: Final = 12
"""Of n bridges TRIALS / n trials within these bounds, as each takes longer then."""
MANY: Final = 36
"""With more bridges none is tried: an answer within a second comes first."""
TOUCHES_MM: Final = 3.0
"""A flap that begins so near to where a bridge was needs it."""
FAR_MM: Final = 25.0
"""Bridges of the frame alone so far apart are tried at once."""

Flaps = Callable[[Plan], Sequence[Finding]]


def prune(plan: Plan, known: int, flaps: Flaps, wanted: dict[int, int]) -> bool:
    """Take out the bridges of a plan that nothing needs; tell whether there were any.

    flaps: finds the flaps that a plan leaves, `known` as it stands. wanted: how many bridges each
    island is to have at least. Nothing is lost: no film falls out or hangs on one side that did not
    before. A bridge that is the only way to an island, that the limits of a flap ask for, or that
    was put in to keep film down is not tried.
    """
    if len(plan.chosen) > MANY:
        return False
    spared: set[int] = set()
    trials = min(max(TRIALS // max(len(plan.chosen), 1), LEAST_TRIALS), MOST_TRIALS)
    found = False
    while trials > 0:
        batch = _apart(plan, _candidates(plan, wanted, spared))
        if not batch:
            break
        while batch and trials > 0:
            trials -= 1
            trial = plan.copy()
            trial.chosen = [one for k, one in enumerate(plan.chosen) if k not in batch]
            left = flaps(trial)
            if len(left) <= known:
                plan.chosen = trial.chosen
                found = True
                break
            needed = _needed(plan, batch, left) or set(batch)
            spared |= {plan.chosen[index].site for index in needed}
            batch = [index for index in batch if index not in needed]
    return found


def _candidates(plan: Plan, wanted: dict[int, int], spared: set[int]) -> list[int]:
    """Return the bridges that may be needless, by number, the dearest first."""
    links = plan.sites.parts[plan.taken]
    is_cut = set(_only_ways(links))
    ends_at = {part: np.flatnonzero((links == part).any(axis=1)) for part in plan.film.loose}
    found = []
    for index, chosen in enumerate(plan.chosen):
        if chosen.site in spared or chosen.keeps_down or index in is_cut:
            continue
        own = {int(part) for part in links[index] if int(part) in ends_at}
        if any(len(ends_at[part]) <= wanted.get(part, 1) for part in own):
            continue
        if any(
            _would_swing(plan, ends_at[part]) for part in own if links[index, 0] != links[index, 1]
        ):
            continue
        found.append(index)
    return sorted(found, key=lambda index: -float(plan.sites.cost_mm[plan.chosen[index].site]))


def _only_ways(links: NDArray[np.int64]) -> list[int]:
    """Return the numbers of the links (n, 2) of a graph whose loss would part it."""
    graph = networkx.MultiGraph()
    graph.add_edges_from((one, other, k) for k, (one, other) in enumerate(links.tolist()))
    pairs = {frozenset(pair) for pair in networkx.bridges(networkx.Graph(graph))}
    return [
        k
        for k, (one, other) in enumerate(links.tolist())
        if frozenset((one, other)) in pairs and graph.number_of_edges(one, other) == 1
    ]


def _would_swing(plan: Plan, own: NDArray[np.intp]) -> bool:
    """Tell whether an island on two bridges was found to be a flap on one."""
    return len(own) == 2 and any(plan.chosen[index].flap_key is not None for index in own)


def _apart(plan: Plan, candidates: Sequence[int]) -> list[int]:
    """Return those of the candidates that can be tried at once: they hold different film."""
    links = plan.sites.parts[plan.taken]
    middles = plan.sites.middle_px[plan.taken]
    apart = len(lying_apart(plan.film, plan.joined()))
    batch: list[int] = []
    touched: set[int] = set()
    for index in candidates:
        own = {int(part) for part in links[index]} - {plan.film.frame}
        if own & touched:
            continue
        near = [np.hypot(*(middles[index] - middles[other])) * plan.mm for other in batch]
        if not own and min(near, default=FAR_MM) < FAR_MM:
            continue
        if len(lying_apart(plan.film, plan.joined(without=(*batch, index)))) > apart:
            continue
        batch.append(index)
        touched |= own
    return batch


def _needed(plan: Plan, batch: Sequence[int], left: Sequence[Finding]) -> set[int]:
    """Return the bridges of a batch that the flaps found without them lie at."""
    segments = shapely.linestrings(plan.ends_mm([plan.chosen[index].site for index in batch]))
    needed: set[int] = set()
    for flap in left:
        area = shapely.make_valid(shapely.Polygon(flap.outline_mm))
        ways = shapely.distance(segments, area)
        needed |= {index for index, way in zip(batch, ways, strict=True) if way < TOUCHES_MM}
    return needed
