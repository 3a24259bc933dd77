"""What a rework list is made of, and the state of the bow while it is reckoned through."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from fitcheck.findings.decisions import LIMIT_OF
from fitcheck.findings.faults import Cause, Faults
from fitcheck.findings.limits import Tolerance
from fitcheck.findings.score import Score, score_seat
from fitcheck.findings.seat import Seat, Value, wind_of
from fitcheck.findings.shares import Shares
from fitcheck.findings.string_line import Poses, StringLine, carried_on, string_line
from fitcheck.findings.sums import Part
from fitcheck.inspection import ENDS, Arrangement, End, Inspection

Act = Literal[
    "repair",
    "reread",
    "prepare",
    "exchange",
    "photograph",
    "shim",
    "lap",
    "bed",
    "move_holes",
    "dress",
    "hold",
    "find_out",
    "tiller",
    "prove",
]

# All that may be taken off a pad in its life, 1/32 in; from memory, no source.
PAD_STOP_MM = 0.8
# What a riser's side may be dressed, and how far a hole may move; from memory, no source.
SIDE_STOP_MM = 0.8
HOLE_STOP_MM = 3.0
# Less than this is not worked by hand.
LEAST_DEPTH_MM = 0.02
# A part is worked on only if that brings the seat nearer to true with this probability; the
# shim proves it before anything is cut.
WORTH_WORKING = 0.9
BOLT_FROM_BUTT_MM = 25.0  # where nobody measured it; from memory, no source

STOP_WORDS = (
    "Stop at the first sight of a glue line, a bushing’s flange or glass, whatever remains to do"
)
HALF_WORDS = "Take half of it, clean, seat, photograph again, and take half of the rest"
NEVER = (
    "Never cut a limb’s glass faces or into a fade-out, never slot a hole, never force a limb "
    "sideways, never correct one fault by adding another, never leave a soft shim."
)
DUST = (
    "Eye protection. Wood dust: extraction and a mask. "
    "Glass dust: wet-sand, extraction, P100 mask."
)
OF_THE_PAD_ALONE = frozenset({"pad_squareness", "riser_width", "pin_play"})


@dataclass(frozen=True)
class Prediction:
    """What a step does to one characteristic: before and after, with their uncertainty."""

    name: str
    before: Value
    after: Value

    @property
    def changes(self) -> bool:
        """Whether it does anything to it that could ever be seen."""
        before, after = self.before, self.after
        by = abs(after.value - before.value)
        spread = abs(after.standard_uncertainty - before.standard_uncertainty)
        return max(by, spread) > 1e-6


@dataclass(frozen=True)
class Step:
    """One step of the list.

    Attributes
    ----------
    act
        What kind of step.
    title, text
        For the bench.
    end, limb
        Where; None for the whole bow.
    part, edge
        What is worked on, and which edge of it; empty where nothing is.
    depth_mm, depth_sd_mm
        How much, with its standard uncertainty; None where nothing is taken off or moved.
    bound
        The most that may be taken, in words.
    stop
        When to stop and measure again.
    predicted
        What it does to every measured characteristic of the seat and to the string.
    score_after
        Of the seat, if the step does what it should; None where the fit does not change.
    cautions
        Where they bear.
    """

    act: Act
    title: str
    text: str
    end: End | None = None
    limb: str | None = None
    part: str = ""
    edge: str = ""
    depth_mm: float | None = None
    depth_sd_mm: float | None = None
    bound: str = ""
    stop: str = ""
    predicted: tuple[Prediction, ...] = ()
    score_after: Score | None = None
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class OutOfReach:
    """What no safe step brings within its limit.

    Attributes
    ----------
    what, why
        In sentences.
    effect
        ``"looks"``: short of its rework limit, felt and seen only; ``"maker"``: for the maker,
        and no reason of its own to leave the bow unused; ``"rack"``: the bow waits until it is
        settled.
    end, names
        Of the seat, and the characteristics that stay as they are for it.
    """

    what: str
    why: str
    effect: Literal["looks", "maker", "rack"] = "rack"
    end: End | None = None
    names: tuple[str, ...] = ()


@dataclass(frozen=True)
class LeftAlone:
    """What is off but is not to be touched: why, and which characteristics of which end.

    ``made_to_suit``: pad and butt make up for each other.
    """

    text: str
    end: End
    names: tuple[str, ...]
    made_to_suit: bool = False


@dataclass(frozen=True)
class Compared:
    """One end of the riser now and with all steps done, by the same parts of the rubric."""

    end: End
    before: Score
    after: Score


@dataclass(frozen=True)
class Rework:
    """The plan.

    Attributes
    ----------
    arrangement
        Of the limbs, for which it is made.
    steps
        In their order.
    out_of_reach
        What stays past its limit.
    left_alone
        What is off but is not to be touched, and why.
    score_before, score_after
        Of the worse seat, before and with all steps done.
    compared
        Each end, before and with all steps done; only parts of the rubric known of both.
    seats_after, string_after
        The seats and the string line with all steps done.
    """

    arrangement: Arrangement
    steps: tuple[Step, ...]
    out_of_reach: tuple[OutOfReach, ...]
    left_alone: tuple[LeftAlone, ...]
    score_before: Score | None
    score_after: Score | None
    seats_after: Mapping[End, Seat] = field(default_factory=dict)
    string_after: StringLine | None = None
    compared: tuple[Compared, ...] = ()

    @property
    def works_on_fit(self) -> bool:
        """Whether any step changes how the limbs sit."""
        return any(
            step.act in ("exchange", "lap", "bed", "move_holes", "dress", "hold", "tiller")
            for step in self.steps
        )

    @property
    def works_here(self) -> bool:
        """Whether anything is for the bench to do but to look again."""
        look = ("photograph", "prepare", "shim", "prove")
        return any(step.act not in look for step in self.steps)


@dataclass
class Plan:
    """The plan while it is made: the state after the steps so far."""

    inspection: Inspection
    limits: Mapping[str, Tolerance]
    arrangement: Arrangement
    seats: dict[End, Seat]
    poses: Poses | None
    stopped: bool = False  # something forbids to string the bow
    steps: list[Step] = field(default_factory=list)
    out_of_reach: list[OutOfReach] = field(default_factory=list)
    left_alone: list[LeftAlone] = field(default_factory=list)
    removed_mm: dict[End, float] = field(default_factory=dict)
    poses_before: Poses | None = field(init=False)

    def __post_init__(self) -> None:
        self.poses_before = self.poses

    @property
    def bare_pads(self) -> bool:
        """Whether it is about newly cut pads, with no limb on them yet."""
        measured = {name for seat in self.seats.values() for name in seat.values}
        return self.inspection.pads_alone and measured <= OF_THE_PAD_ALONE

    def string(self, poses: Poses | None) -> StringLine | None:
        """Return the string line of the arrangement for other poses of the limbs."""
        if poses is None:
            return None
        line = string_line(self.inspection, self.arrangement, poses, self.limits)
        if poses is self.poses_before or self.poses_before is None:
            return line
        before = string_line(self.inspection, self.arrangement, self.poses_before, self.limits)
        return carried_on(line, before, self.limits)

    def outlook(self, end: End, after: Seat, poses: Poses | None) -> tuple[Prediction, ...]:
        """What changes between the state now and another, of one seat and the string."""
        before = self.seats[end]
        predictions = [
            Prediction(name, before.values[name], after.values[name])
            for name in before.values
            if name in after.values
        ]
        if before.values.get("pad_squareness") != after.values.get("pad_squareness"):
            wound = wind_of(self.seats), wind_of({**self.seats, end: after})
            if wound[0] is not None and wound[1] is not None:
                predictions.append(
                    Prediction("wind", wound[0], replace(wound[1], tool="predicted"))
                )
        now, then = self.string(self.poses), self.string(poses)
        if now is not None and then is not None:
            for was, will in zip(now.places, then.places, strict=True):
                predictions.append(
                    Prediction(
                        f"string at the {was.at}",
                        Value(*was.decisive, "mm", "predicted"),
                        Value(*will.decisive, "mm", "predicted"),
                    )
                )
        return tuple(predictions)

    def do(self, step: Step, end: End, after: Seat, poses: Poses | None) -> None:
        """Add a step that changes a seat, and go on from the state after it."""
        self.steps.append(
            replace(
                step,
                end=end,
                limb=self.seats[end].limb,
                predicted=self.outlook(end, after, poses),
                score_after=score_seat(after, self.limits),
            )
        )
        self.seats[end], self.poses = after, poses

    def moved(self, end: End, component: int, by: float, residual_sd: float) -> Poses | None:
        """Poses with one of roll (0), offset (1), angle (2) of a seat changed."""
        if self.poses is None:
            return None
        k = 3 * ENDS.index(end) + component
        mean, covariance = self.poses.mean.copy(), self.poses.covariance.copy()
        mean[k] += by
        covariance[k, :], covariance[:, k] = 0.0, 0.0
        covariance[k, k] = residual_sd**2
        return Poses(mean, covariance)

    def by_size(self) -> list[End]:
        """Ends of the riser, the one that is farther past its good limits first.

        So the list begins with what matters most, and a bow and its mirror image get the same.
        """

        def sizes(end: End) -> list[float]:
            excess = [
                abs(value.value) / self.limits[LIMIT_OF[name]].good[1]
                for name, value in self.seats[end].values.items()
                if name in LIMIT_OF
            ]
            return sorted((round(one, 6) for one in excess), reverse=True)

        return sorted((end for end in ENDS if end in self.seats), key=sizes, reverse=True)

    def remaining_mm(self, end: End) -> float:
        """What may still be taken off a pad."""
        readings = self.inspection.readings.ends.get(end)
        before = 0.0
        if readings is not None and readings.removed_from_pad is not None:
            before = max(readings.removed_from_pad.value, 0.0)
        return max(PAD_STOP_MM - before - self.removed_mm.get(end, 0.0), 0.0)


def cause_of(faults: Faults, part: Part) -> Cause | None:
    """Return a part's share, or None where it has none."""
    try:
        return faults.cause(part)
    except KeyError:
        return None


def improves(shares: Shares, part: Part, partner: Part, component: int = 0) -> float:
    """Probability that putting a part right brings its seat nearer to true.

    It does not where the partner was made to suit: then the two together are right, and one
    of them alone would be wrong.
    """
    if partner not in shares.readings.parts:
        return 1.0
    return shares.probability_improves(part, partner, component)


def past_good(cause: Cause | None) -> bool:
    """Whether a part is at fault and past its good limit, each with 95 %."""
    return cause is not None and cause.sure and cause.p_past_good >= 0.95
