"""What on a board looks swapped, misread, open or left out: slips that would make it much more ordinary.

Every board one slip away is held against the board as traced: by how much more ordinary its figures are,
each beside its customary range, and by how much better it explains the load test; less how rarely such a
slip happens. Slips that mend the same figures are explanations of one finding. Nothing is proved by this:
a figure may be unusual on purpose, and each finding says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import exp, log

from flyback import __version__
from flyback.analysis import tolerance
from flyback.board.model import Board
from flyback.errors import BoardFileError, NotAFlybackError
from flyback.studies.figure import Figure, Figures
from flyback.studies.ordinary import Looked, Use
from flyback.studies.readings import observe
from flyback.studies.slips import Grade, OneSlip, one_slip_away
from flyback.studies.tested import LoadTested, Told, regulated
from flyback.studies.untraced import Missing, missing

STRONG, SUSPECT, WORTH = 0.97, 0.75, 0.15
"""Chances from which a finding is strongly suspect, suspect, worth a look (our choice)."""

KEPT = 0.02
"""Odds against the board as traced below which a slip explains nothing."""

NAMED = 0.05
"""Share of a finding from which an explanation is named."""

MENDED = 1.0
"""Oddness, as a logarithm, that a figure must lose for a slip to explain it."""

TOLD = 0.3
"""Change of oddness, as a logarithm, from which a figure is told with an explanation."""

ODD = 3.0
"""Oddness, as a logarithm, from which a figure that no slip explains is told."""

LOAD_TEST = ("load test", ())
"""Stands for the load test among the things a slip may explain."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """One slip that would explain a finding.

    Attributes:
        slip: the likeliest reading; others: further readings of the same parts, likeliest first.
        odds: of all of them against the board as traced.
        share: of the finding.
        moved: figures as traced and with it, those first that come furthest into or out of their range.
        of_test: how much better it explains the load test, as a logarithm of the likelihood.
        told: the reading that is furthest from the board as traced, beside that and beside this one; None
            without a load test.
    """

    slip: OneSlip
    others: tuple[OneSlip, ...]
    odds: float
    share: float
    moved: tuple[tuple[Figure, Figure], ...]
    of_test: float
    told: tuple[Told, Told] | None

    @property
    def mends(self) -> set[object]:
        found: set[object] = {old.key for old, new in self.moved if old.oddness - new.oddness >= MENDED}
        return found | ({LOAD_TEST} if self.of_test >= MENDED else set())


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that does not look as traced, with what would explain it, likeliest first.

    Attributes:
        chance: that one of the explanations is so, with our rates of slips and of odd figures.
        further: how many explanations have too small a share to be named.
    """

    chance: float
    explanations: tuple[Explanation, ...]
    further: int

    @property
    def grade(self) -> Grade:
        if self.chance >= STRONG:
            return Grade.STRONG
        return Grade.SUSPECT if self.chance >= SUSPECT else Grade.WORTH


@dataclass(frozen=True, slots=True)
class Suspicions:
    """Everything `flyback suspects` prints; frozen data, SI units.

    Attributes:
        findings: surest first.
        odd: figures outside their range that no slip explains.
        missing: what was not traced and is customary.
        figures: all that were looked at; slips: how many boards were tried; tested: readings of the load
            test that were weighed.
        notices: in sentences.
    """

    board: Board
    findings: tuple[Finding, ...]
    odd: tuple[Figure, ...]
    missing: tuple[Missing, ...]
    figures: Figures
    slips: int
    tested: int
    notices: tuple[str, ...]
    seed: int
    version: str = __version__

    @property
    def exit_code(self) -> int:
        """1 if anything is more than worth a look, else 0."""
        grades = [*(one.grade for one in self.findings), *(one.grade for one in self.missing)]
        return int(any(grade != Grade.WORTH for grade in grades))


def look_for(board: Board, *, seed: int = tolerance.SEED) -> Suspicions:
    """Look for slips on a board.

    Args:
        seed: of the samples by which a load test is held against a board.

    Raises:
        NotAFlybackError: the board is declared to be another converter.
        BoardFileError: the board cannot be a circuit.
    """
    if board.topology != "flyback":
        raise NotAFlybackError(
            f"{board.name}: not a flyback, so it is not known what its parts customarily are."
        )
    base = _Base.of(board, seed)
    slips = list(one_slip_away(board))
    found = base.judged(slips)
    findings = tuple(_findings(base.explained(found)))
    return Suspicions(
        board=board,
        findings=findings,
        odd=tuple(_unexplained(base.figures, findings)),
        missing=tuple(missing(board)),
        figures=base.figures,
        slips=len(slips),
        tested=len(base.tested.test.readings) if base.tested else 0,
        notices=tuple(base.notices(found)),
        seed=seed,
    )


# --- one slip -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Weighed:
    """A slip, and the logarithm of its odds against the board as traced, without the load test."""

    slip: OneSlip
    alone: float
    moved: tuple[tuple[Figure, Figure], ...]
    looked: Looked


@dataclass(frozen=True, slots=True)
class _Judged:
    """A slip, and the logarithm of its odds against the board as traced."""

    slip: OneSlip
    log_odds: float
    moved: tuple[tuple[Figure, Figure], ...]
    of_test: float
    looked: Looked


@dataclass(frozen=True, slots=True)
class _Base:
    """The board as traced, and what slips are held against.

    Attributes:
        log: logarithm of the likelihood of its load test, 0 without one; furthest: its worst reading.
        of_rest, of_work, of_test: the most that can be mended of the figures at rest, of the cycle's, and
            of the load test.
    """

    looked: Looked
    tested: LoadTested | None
    seed: int
    rest: Figures
    work: Figures
    log: float
    furthest: Told | None
    of_rest: float
    of_work: float
    of_test: float

    @classmethod
    def of(cls, board: Board, seed: int) -> _Base:
        held = regulated(board, observe(board, None).points)
        looked = Looked.at(board, Use.of(board, held))
        tested = LoadTested.of(board, looked.circuit, seed)
        rest, work = looked.at_rest(), looked.at_work()
        fit = tested.log(looked.circuit, seed) if tested else 0.0
        return cls(
            looked=looked,
            tested=tested,
            seed=seed,
            rest=rest,
            work=work,
            log=fit,
            furthest=tested.furthest(looked.circuit) if tested else None,
            of_rest=sum(one.oddness for one in rest.values()),
            of_work=sum(one.oddness for one in work.values()),
            of_test=max(tested.best - fit, 0.0) if tested else 0.0,
        )

    @property
    def figures(self) -> Figures:
        return {**self.rest, **self.work}

    def judged(self, slips: Iterable[OneSlip]) -> list[_Judged]:
        """The slips that explain anything; what cannot is not computed to the end."""
        weighed = [one for slip in slips if (one := self.weighed(slip)) is not None]
        found: list[_Judged] = []
        best = log(KEPT)
        for one in sorted(weighed, key=lambda one: -one.alone):
            # what only the load test speaks for need not be asked where a likelier slip explains it too
            if one.alone >= log(KEPT) or one.alone + self.of_test >= best + log(KEPT):
                of_test = self.gained(one.looked)
                log_odds = one.alone + of_test
                best = max(best, log_odds)
                if log_odds >= log(KEPT):
                    found.append(_Judged(one.slip, log_odds, one.moved, of_test, one.looked))
        return found

    def weighed(self, slip: OneSlip) -> _Weighed | None:
        """A slip by its figures alone, or None where not even the load test could make it count."""
        alone = log(slip.prior)
        if alone + self.of_rest + self.of_work + self.of_test < log(KEPT):
            return None
        try:
            other = Looked.at(slip.board, self.looked.use)
        except BoardFileError:
            return None
        rest = other.at_rest()
        alone += _gain(self.rest, rest)
        if alone + self.of_work + self.of_test < log(KEPT):
            return None
        work = self.work if other.works_like(self.looked) else other.at_work()
        alone += _gain(self.work, work)
        if (self.work and not work) or alone + self.of_test < log(KEPT):
            return None
        if alone < log(KEPT) and not self.nearer(other):
            return None
        return _Weighed(slip, alone, _moved(self.figures, {**rest, **work}), other)

    def gained(self, other: Looked) -> float:
        """How much better another board explains the load test, as a logarithm of the likelihood."""
        if self.tested is None or other.gives_like(self.looked):
            return 0.0
        return self.tested.log(other.circuit, self.seed) - self.log

    def beside(self, other: Looked) -> tuple[Told, Told] | None:
        """The reading that is furthest from the board as traced, beside that and beside another one."""
        if self.tested is None or self.furthest is None:
            return None
        return self.furthest, self.tested.told(other.circuit, self.furthest.reading)

    def nearer(self, other: Looked) -> bool:
        """Whether another board nominally comes nearer to the load test."""
        pair = None if other.gives_like(self.looked) else self.beside(other)
        return pair is not None and pair[1].off < pair[0].off

    def notices(self, found: Sequence[_Judged]) -> Iterator[str]:
        if self.tested is None or self.of_test < -log(KEPT):
            return
        if max((one.of_test for one in found), default=0.0) < MENDED:
            yield (
                "The load test does not fit the board as traced, and no single slip explains it: flyback "
                "evidence shows what it says."
            )

    def explained(self, found: Sequence[_Judged]) -> list[Explanation]:
        """Slips of one kind at the same parts as one explanation, the likeliest first."""
        groups: dict[object, list[_Judged]] = {}
        for one in sorted(found, key=lambda one: -one.log_odds):
            key = one.slip.kind, one.slip.parts, one.slip.alike, one.slip.key
            groups.setdefault(key, []).append(one)
        return [
            Explanation(
                slip=best.slip,
                others=tuple(one.slip for one in others),
                odds=sum(exp(one.log_odds) for one in (best, *others)),
                share=1.0,
                moved=best.moved,
                of_test=best.of_test,
                told=self.beside(best.looked),
            )
            for best, *others in groups.values()
        ]


def _gain(before: Figures, after: Figures) -> float:
    """How much more ordinary the figures are that both boards have, as a logarithm."""
    return sum(figure.oddness - after[key].oddness for key, figure in before.items() if key in after)


def _moved(before: Figures, after: Figures) -> tuple[tuple[Figure, Figure], ...]:
    """Figures that were or become odd, those that move most first."""
    pairs = [(figure, after[key]) for key, figure in before.items() if key in after]
    told = [pair for pair in pairs if abs(pair[0].oddness - pair[1].oddness) >= TOLD]
    return tuple(sorted(told, key=lambda pair: -abs(pair[0].oddness - pair[1].oddness)))


# --- findings -------------------------------------------------------------------------------------


def _findings(explanations: Iterable[Explanation]) -> list[Finding]:
    """Explanations that mend something in common are of one finding, whose likeliest one comes first."""
    found = []
    left = sorted(explanations, key=lambda one: -one.odds)
    while left:
        first = left[0]
        rivals = [one for one in left if one is first or one.mends & first.mends]
        left = [one for one in left if one not in rivals]
        odds = sum(one.odds for one in rivals)
        named = [replace(one, share=share) for one in rivals if (share := one.odds / odds) >= NAMED]
        found.append(Finding(odds / (1 + odds), tuple(named), len(rivals) - len(named)))
    return sorted((one for one in found if one.chance >= WORTH), key=lambda one: -one.chance)


def _unexplained(figures: Figures, findings: Sequence[Finding]) -> Iterator[Figure]:
    mended = set[object]().union(*(one.mends for found in findings for one in found.explanations))
    for key, figure in figures.items():
        if figure.oddness >= ODD and key not in mended:
            yield figure
