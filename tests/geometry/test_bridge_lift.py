"""Lift guides bridges: what would hang free is held, and every bridge says what it did.

Truth is the plate made anew from a fresh check of the drawing with all bridges.
"""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import LineString

from geometry.bridges import Proposal, propose_bridges
from geometry.check import check_picture
from geometry.lift import LiftModel
from geometry.limits import default_limits
from geometry.prepared import prepare_picture
from tests.geometry.test_bridges import SMALL, loose_parts, ring, small, strip

LIMITS = default_limits((101.6, 101.6))


def worst_anew(black: shapely.Geometry, proposal: Proposal) -> float:
    """The lift of what lifts most, by a plate of its own."""
    fresh = check_picture(small(black), replace(SMALL, strokes=proposal.strokes))
    model = LiftModel(fresh.ink, fresh.placement, fresh.blank_mm, LIMITS)
    return model.map().worst[0].lift_mm


@pytest.fixture(scope="module")
def tongue() -> tuple[shapely.Geometry, Proposal, Proposal]:
    """A tongue 11 mm long: too short for a flap, but as film of 0.06 mm it hangs free."""
    side = LineString([(40, 66), (40, 54), (61, 54), (61, 66)]).buffer(0.8)
    prepared = prepare_picture(small(side), SMALL)
    return side, propose_bridges(prepared), propose_bridges(prepared, lift=True, film_mm=0.06)


def test_film_that_would_hang_free_gets_a_bridge(
    tongue: tuple[shapely.Geometry, Proposal, Proposal],
) -> None:
    _, plain, held = tongue
    assert plain.bridges == ()
    assert plain.worst_lift_mm is None
    assert len(held.bridges) == 1
    (bridge,) = held.bridges
    assert bridge.reason == "keeps film down that would lift under the sponge"
    assert bridge.lift_before_mm > LIMITS.lift_free_mm
    assert bridge.lift_after_mm < 0.6 * bridge.lift_before_mm
    before, after = bridge.lift_before_mm, bridge.lift_after_mm
    assert bridge.lift_words == f"lift {before:.1f} -> {after:.1f} mm (estimated)"


def test_said_lift_is_that_of_a_plate_made_anew() -> None:
    black = shapely.union_all([ring(50, 50, 20), ring(50, 50, 9)])
    proposal = propose_bridges(prepare_picture(small(black), SMALL), lift=True)
    assert proposal.worst_lift_mm == pytest.approx(worst_anew(black, proposal), rel=1e-6)
    assert proposal.worst_lift_mm <= LIMITS.lift_free_mm
    strips = shapely.union_all([strip(bridge.site) for bridge in proposal.bridges])
    assert loose_parts(black.difference(strips), (101.6, 101.6)) == []
    first = [bridge for bridge in proposal.bridges if bridge.lift_before_mm is None]
    assert len(first) == 2, "one for each island, which would fall out without it"
    assert all("fell out before" in bridge.lift_words for bridge in first)
    for bridge in proposal.bridges:
        assert bridge.lift_after_mm <= proposal.worst_lift_mm + 1e-6
        assert bridge.lift_before_mm is None or bridge.lift_after_mm < bridge.lift_before_mm
    said = proposal.to_json()
    assert said["after"]["worst_lift_mm"] == round(proposal.worst_lift_mm, 3)


def test_locked_bridges_and_a_drawing_that_sits_flat_say_their_lift() -> None:
    black = ring(50, 50, 5)
    prepared = prepare_picture(small(black), SMALL)
    (bridge,) = propose_bridges(prepared).bridges
    again = propose_bridges(prepared, locked=[bridge.site], lift=True)
    assert [one.is_locked for one in again.bridges] == [True]
    assert again.bridges[0].lift_before_mm is None
    assert again.bridges[0].lift_after_mm == pytest.approx(again.worst_lift_mm, rel=0.5)
    flat = propose_bridges(
        prepare_picture(small(LineString([(20, 20), (70, 60)]).buffer(1)), SMALL), lift=True
    )
    assert flat.bridges == ()
    assert 0 < flat.worst_lift_mm < LIMITS.lift_flat_mm


def test_without_lift_the_answer_is_the_same_as_ever() -> None:
    black = shapely.union_all([ring(30, 30, 5), ring(65, 60, 11)])
    prepared = prepare_picture(small(black), SMALL)
    plain, judged = propose_bridges(prepared), propose_bridges(prepared, lift=True)
    assert all(bridge.lift_after_mm is None for bridge in plain.bridges)
    assert plain.to_json()["after"]["worst_lift_mm"] is None
    sites = np.array([bridge.site.at_mm for bridge in judged.bridges])
    for bridge in plain.bridges:
        assert np.hypot(*(sites - bridge.site.at_mm).T).min() < 1e-6
    assert judged.worst_lift_mm <= LIMITS.lift_free_mm
