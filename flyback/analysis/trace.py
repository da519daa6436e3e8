"""Gather every number of a board once: given, lent by the handbook, absent or unknown."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from flyback.analysis.circuit import Circuit, joined_names
from flyback.board.model import Board, Origin, Part, Shape, Unknown, Value
from flyback.errors import BoardFileError, Problem
from flyback.reference import HandbookRange, handbook

ABSENT = "absent"
"""Key prefix of a zero (or one) that stands for a part or effect that is not there."""


@dataclass
class _Tracer:
    board: Board
    values: dict[str, Value] = field(default_factory=dict)
    keys: dict[str, tuple[str, ...]] = field(default_factory=dict)
    parts: dict[str, str] = field(default_factory=dict)
    missing: dict[str, str] = field(default_factory=dict)
    assumed: list[Value] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def use(self, name: str, *values: Value, parts: str = "") -> None:
        for value in values:
            self.values[value.key] = value
        self.keys[name] = tuple(value.key for value in values)
        if parts:
            self.parts[name] = parts

    def absent(self, name: str, dimension: str, words: str, number: float = 0.0) -> None:
        """A part or effect that is not there: a fixed number that says so in the working."""
        key = f"{ABSENT}.{name}"
        self.use(name, _fixed(key, number, dimension, words))

    def unknown(self, name: str, key: str) -> None:
        self.missing[name] = key

    def lend(self, name: str, key: str, row: HandbookRange | None, designator: str) -> bool:
        """Use a handbook range for a value the file does not give."""
        if row is None:
            return False
        value = lent(key, row)
        self.assumed.append(value)
        self.use(name, value, parts=designator)
        return True

    def single(
        self, name: str, role: str, key: str, *, lend: bool = False, variant: str | None = None
    ) -> bool:
        """Take a field of the first fitted part of a role, or its handbook range."""
        playing = self.board.playing(role)
        part = playing[0] if playing else None
        where = f"{part.designator}.{key}" if part else _wanted(role)
        value = part.known(key) if part else None
        if value is not None and part is not None:
            self.use(name, self.with_tolerance(part, value, key), parts=part.designator)
            return True
        if part and lend and self.lend(name, where, handbook(role, key, variant), part.designator):
            return True
        self.unknown(name, where)
        return False

    def group(self, name: str, role: str, key: str, link: str) -> bool:
        """Take a field of every fitted part of a role; customary tolerance where none is given."""
        playing = self.board.playing(role)
        found = [(part, part.known(key)) for part in playing]
        unknown = [part.designator for part, value in found if value is None]
        known = [(part, value) for part, value in found if value is not None]
        if unknown or not known:
            self.unknown(name, f"{unknown[0]}.{key}" if unknown else _wanted(role))
            return False
        names = joined_names([part.designator for part, _ in known], link)
        spread = [self.with_tolerance(part, value, key) for part, value in known]
        self.use(name, *spread, parts=names)
        return True

    def with_tolerance(self, part: Part, value: Value, key: str) -> Value:
        """Add the customary tolerance of a marked part that states none."""
        if value.spread or value.nominal == 0 or value.origin is Origin.MEASURED:
            return value
        row = _customary_tolerance(part, key)
        if row is None:
            return value
        spread = replace(
            value,
            low=value.nominal * (1 - row.typical),
            high=value.nominal * (1 + row.typical),
            shape=Shape.RECTANGULAR,
            source=row.source,
            basis=row.basis,
            note=value.note or "tolerance not marked: the customary one",
        )
        self.assumed.append(spread)
        return spread


def _customary_tolerance(part: Part, key: str) -> HandbookRange | None:
    if key == "primary_inductance":
        return handbook("transformer", "primary_inductance_tolerance")
    if key not in ("resistance", "capacitance"):
        return None
    own = handbook(part.role, "tolerance")
    return handbook("resistor", "tolerance") if own is None and key == "resistance" else own


def _wanted(role: str) -> str:
    return f"a part with role {role}"


def _fixed(key: str, number: float, dimension: str, words: str) -> Value:
    return Value(key, number, number, number, dimension, Shape.EXACT, Origin.MARKED, words, cause=key)


def lent(key: str, row: HandbookRange, scale: float = 1.0, dimension: str = "") -> Value:
    """A handbook range as a value of the board, listed as assumed wherever it is used."""
    low, typical, high = (scale * x for x in (row.low, row.typical, row.high))
    return Value(
        key=key,
        nominal=typical,
        low=low,
        high=high,
        dimension=dimension or row.dimension,
        shape=Shape.TWO_PIECE,
        origin=Origin.HANDBOOK,
        text="not given",
        cause=key,
        note=row.note,
        source=row.source,
        basis=row.basis,
    )


def trace(board: Board) -> Circuit:
    """Gather every number of a board that the physics may use.

    Raises:
        BoardFileError: where the board cannot be a circuit (no turns, no inductance, two kinds of
            current limit at once); every such fault at once.
    """
    tracer = _Tracer(board)
    _refuse_doubles(tracer)
    _mains(tracer)
    _control(tracer)
    _transformer(tracer)
    _secondary(tracer)
    if tracer.problems:
        raise BoardFileError(tuple(tracer.problems), str(board.path or board.name))
    return Circuit(
        board=board,
        values=tracer.values,
        keys=tracer.keys,
        parts=tracer.parts,
        missing=tracer.missing,
        assumed=tuple(tracer.assumed),
        left_out=tuple(tracer.left_out),
    )


_ONE_ONLY = (
    "switching IC",
    "switching transistor",
    "sense transistor",
    "transformer",
    "voltage reference",
    "post converter",
)
"""Roles that one part plays; with two of them it would be unclear whose values count."""


def _refuse_doubles(t: _Tracer) -> None:
    for role in _ONE_ONLY:
        playing = t.board.playing(role)
        if len(playing) > 1:
            names = " and ".join(part.designator for part in playing)
            t.problems.append(
                Problem(
                    f"{names} both play {role};",
                    field="parts",
                    hint='one can: give the other its own role, or state = "not fitted".',
                    line=playing[1].line,
                )
            )
    words = {part.words.get("arrangement") for part in t.board.playing("mains rectifier")}
    if len(words - {None}) > 1:
        t.problems.append(
            Problem(
                "the mains rectifiers disagree about their arrangement;",
                field="parts",
                hint='say "full wave" for all of a bridge, "half wave" for a single diode.',
            )
        )


def _mains(t: _Tracer) -> None:
    rectifiers = t.board.playing("mains rectifier")
    words = rectifiers[0].words.get("arrangement") if rectifiers else None
    where = rectifiers[0].designator if rectifiers else "mains rectifier"
    if words is None:
        needed = f"{where}.arrangement" if rectifiers else _wanted("mains rectifier")
        t.unknown("n_pulse", needed)
        t.unknown("N_d", needed)
    else:
        diodes, pulses = (2, 2) if words == "full wave" else (1, 1)
        t.use("N_d", _fixed(f"{where}.diodes in the path", diodes, "turns", words), parts=where)
        t.use("n_pulse", _fixed(f"{where}.pulses a period", pulses, "turns", words), parts=where)
    t.single("V_d", "mains rectifier", "forward_drop", lend=True)
    t.group("C_bulk", "bulk capacitor", "capacitance", "||")
    if not t.board.playing("series resistor"):
        t.absent("R_series", "resistance", "no series resistor traced")
    elif not t.group("R_series", "series resistor", "resistance", "+"):
        del t.missing["R_series"]
        t.absent("R_series", "resistance", "series resistance not given")
        t.left_out.append("series resistance on the mains side (resistance)")


def _control(t: _Tracer) -> None:
    control = t.board.control
    oscillating = control == "self-oscillating"
    switches = t.board.playing("switching transistor")
    kind = switches[0].words.get("kind") if switches else None
    t.absent("no sense resistor", "resistance", "sensed inside the IC")
    if t.board.playing("sense resistor"):
        t.group("R_s", "sense resistor", "resistance", "||")
        t.group("sense_rating", "sense resistor", "power_rating", "||")
    else:
        t.unknown("R_s", _wanted("sense resistor"))
    _limits(t)
    for name, key, dimension, words in (
        ("s_test", "limit_test_slope", "current slope", "limit specified at standstill"),
        ("k_line", "line_compensation", "ratio", "no line compensation"),
        ("S_ramp", "slope_compensation", "voltage slope", "no slope compensation"),
        ("I_th", "conduction_threshold", "current", "end of conduction seen at zero current"),
    ):
        if not t.single(name, "switching IC", key):
            if is_unknown(t.board, t.missing.pop(name)):
                t.left_out.append(f"{key}, unknown and taken as none")
            t.absent(name, dimension, words)
    if oscillating:
        t.absent("t_sense", "time", "the sense transistor acts at once; storage time follows")
        t.single("V_be", "sense transistor", "base_emitter_voltage", lend=True)
        t.single("N_b", "transformer", "base_turns")
        t.group("R_b", "base resistor", "resistance", "+")
        t.single("h_FE", "switching transistor", "gain", lend=True)
        t.single("D_max", "switching transistor", "max_duty", lend=True)
    else:
        t.single("t_sense", "switching IC", "delay", lend=True)
        t.single("f_s", "switching IC", "frequency")
        if control in ("fixed-frequency peak current", "on/off"):
            t.single("D_max", "switching IC", "max_duty", lend=True)
        t.single("f_max", "switching IC", "max_frequency")
    if oscillating and kind is None:
        needed = f"{switches[0].designator}.kind" if switches else _wanted("switching transistor")
        t.unknown("t_store", needed)
        t.absent("V_sat", "voltage", "kind of switch unknown")
        t.absent("R_switch", "resistance", "kind of switch unknown")
    elif kind == "bipolar":
        t.single("t_store", "switching transistor", "storage_time", lend=True)
        t.single("V_sat", "switching transistor", "saturation_voltage", lend=True)
        t.absent("R_switch", "resistance", "a bipolar switch has a saturation voltage instead")
    else:
        t.absent("t_store", "time", "a MOSFET has no storage time")
        t.absent("V_sat", "voltage", "a MOSFET has an on-resistance instead")
        if not _either(t, "R_switch", "on_resistance"):
            t.absent("R_switch", "resistance", "on-resistance not given")
            t.left_out.append("on-resistance of the switch (on_resistance)")
    if not _either(t, "C_d", "drain_capacitance", lend=True):
        t.absent("C_d", "capacitance", "drain capacitance not given")
        t.left_out.append("drain capacitance (drain_capacitance)")
    if control == "primary-side constant current":
        t.single("d_dem", "switching IC", "conduction_share", lend=True)
    t.single("V_stop", "switching IC", "supply_stop")
    t.single("V_overload", "switching IC", "overload_voltage")
    if "V_limit" in t.keys and "V_overload" in t.keys:
        shared = t.values[t.keys["V_limit"][0]].cause
        overload = t.values[t.keys["V_overload"][0]]
        t.values[overload.key] = replace(overload, cause=shared)


def _limits(t: _Tracer) -> None:
    ics = t.board.playing("switching IC")
    kinds = {
        "V_limit": "limit_voltage",
        "I_limit": "limit_current",
        "K_power": "power_coefficient",
    }
    given = [key for key in kinds.values() if ics and ics[0].known(key)]
    if len(given) > 1:
        t.problems.append(
            Problem(
                f"{' and '.join(given)} are both given;",
                field=f"parts.{ics[0].designator}",
                hint="the data sheet specifies one of them: keep that one.",
                line=ics[0].line,
            )
        )
    for name, key in kinds.items():
        t.single(name, "switching IC", key)
    if "K_power" in t.keys or "I_limit" in t.keys:
        t.missing.pop("V_limit", None)


def _either(t: _Tracer, name: str, key: str, *, lend: bool = False) -> bool:
    """A field that the switch inside an IC or a separate transistor may carry."""
    roles = [r for r in ("switching transistor", "switching IC") if t.board.playing(r)]
    for role in roles:
        if t.board.playing(role)[0].known(key):
            return t.single(name, role, key)
    return bool(roles) and lend and t.single(name, roles[0], key, lend=True)


def _transformer(t: _Tracer) -> None:
    for name, key, words in (
        ("N_p", "primary_turns", "the primary turns"),
        ("N_s", "secondary_turns", "the secondary turns"),
        ("L_p", "primary_inductance", "the primary inductance"),
    ):
        if not t.single(name, "transformer", key):
            t.problems.append(
                Problem(
                    f"{words} must be known;",
                    field=f"parts.{t.missing[name]}" if t.board.playing("transformer") else "parts",
                    hint="count or measure them: without them there is no circuit to check.",
                )
            )
    t.single("N_aux", "transformer", "auxiliary_turns")
    t.single("A_e", "transformer", "core_area")
    t.single("B_sat", "transformer", "saturation_flux", lend=True)
    if not t.single("L_leak", "transformer", "leakage_inductance"):
        row = handbook("transformer", "leakage_inductance")
        if row is not None and "L_p" in t.keys:
            del t.missing["L_leak"]
            L_p = t.values[t.keys["L_p"][0]]
            where = f"{t.parts['L_p']}.leakage_inductance"
            value = lent(where, row, scale=L_p.nominal, dimension="inductance")
            t.assumed.append(value)
            t.use("L_leak", value, parts=t.parts["L_p"])
    _refuse_large_leakage(t)
    for name, key, words in (
        ("R_pri", "primary_resistance", "resistance of the primary winding"),
        ("R_sec", "secondary_resistance", "resistance of the secondary winding"),
    ):
        if not t.single(name, "transformer", key):
            del t.missing[name]
            t.absent(name, "resistance", f"{words} not given")
            t.left_out.append(f"{words} ({key})")
    if t.single("V_c", "clamp suppressor", "clamp_voltage"):
        return
    if t.board.playing("clamp resistor") and t.group("R_cl", "clamp resistor", "resistance", "||"):
        t.missing.pop("V_c")
        return
    row = handbook("clamp suppressor", "clamp_over_reflected")
    t.lend("k_clamp", "clamp voltage over reflected voltage", row, "clamp")
    t.missing.pop("V_c", None)


def _refuse_large_leakage(t: _Tracer) -> None:
    if "L_p" not in t.keys or "L_leak" not in t.keys:
        return
    L_p, L_leak = (t.values[t.keys[name][0]] for name in ("L_p", "L_leak"))
    if L_leak.high >= L_p.low:
        t.problems.append(
            Problem(
                f"a leakage of {L_leak.text} is not below the primary inductance of {L_p.text};",
                field=f"parts.{L_leak.key}",
                hint="leakage is measured on the primary with the secondary shorted.",
                line=L_leak.line,
            )
        )


def _secondary(t: _Tracer) -> None:
    rectifiers = t.board.playing("output rectifier")
    technology = rectifiers[0].words.get("technology") if rectifiers else None
    if not t.single("V_f", "output rectifier", "forward_drop", lend=True, variant=technology):
        t.problems.append(
            Problem(
                "the output rectifier needs a forward_drop or a technology",
                field="parts",
                hint='add a part with role = "output rectifier" and technology = "schottky", '
                '"silicon" or "synchronous".',
            )
        )
    t.group("I_rectifier", "output rectifier", "current_rating", "||")
    t.group("C_o", "output capacitor", "capacitance", "||")
    t.group("ripple_rating", "output capacitor", "ripple_rating", "||")
    if not t.group("R_esr", "output capacitor", "esr", "||"):
        del t.missing["R_esr"]
        t.absent("R_esr", "resistance", "ESR of the output capacitors not given")
        t.left_out.append("ESR of the output capacitors (esr)")
    for name, role, link in (
        ("R_upper", "upper divider resistor", "+"),
        ("R_lower", "lower divider resistor", "||"),
    ):
        if t.board.playing(role):
            t.group(name, role, "resistance", link)
    t.single("V_ref", "voltage reference", "reference_voltage", lend=True)
    if isinstance(t.board.rail_voltage, Value):
        t.use("V_rail", t.board.rail_voltage, parts="rail")
    else:
        t.unknown("V_rail", "rail.voltage")
    if t.board.playing("post converter"):
        t.single("eta_post", "post converter", "efficiency", lend=True)
    else:
        t.absent("eta_post", "ratio", "no second converter", number=1.0)


def is_unknown(board: Board, key: str) -> bool:
    """True where the file itself says that a value is unknown."""
    designator, _, name = key.partition(".")
    part = board.parts.get(designator)
    return part is not None and isinstance(part.values.get(name), Unknown)
