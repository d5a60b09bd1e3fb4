"""Permissible loading inside the step: once a minute a transformer, its main figures kept until they run out.

The figures themselves come from thermal/loading.py; here are the stages that count for them and when they
are made. Nothing here reaches cooling or alarms.
"""

from __future__ import annotations

from collections.abc import Sequence

from collector.control import lost_inputs as li
from collector.control.cycle import Cycle
from collector.control.layout import NS, StagePlan, TransformerPlan
from collector.control.stages import Proof, StageState
from collector.control.state import LoadFigures, Plan, State
from collector.thermal import loading

#: Every transformer has new figures so often [ns].
EVERY_NS = 60 * NS


def renew(cycle: Cycle) -> None:
    """New figures for the transformer whose turn it is: one in a cycle, so that no cycle gets long.

    Where a cycle is longer than a transformer's share of the minute, as many as it takes.
    """
    count = len(cycle.plan.loading)
    if not count or cycle.sample is None or cycle.estimate is None:
        return
    elapsed = cycle.now - cycle.old.mono_ns if cycle.old.mono_ns >= 0 else 0
    turns = max(1, min(count, -(-count * elapsed // EVERY_NS)))
    due = [i for i, f in enumerate(cycle.loading) if f.at_ns < 0 or cycle.now - f.at_ns >= EVERY_NS]
    for i in sorted(due, key=lambda i: cycle.loading[i].at_ns)[:turns]:
        t, made = cycle.layout.transformers[i], cycle.plan.loading[i]
        present = loading.present(cycle.plan.model, cycle.sample, cycle.estimate, t.id)
        stages = available(cycle.plan, t, cycle.inputs, cycle.stages)
        try:
            results = loading.permissible_loading(made, present, stages)
        except ArithmeticError as error:  # figures for people must never cost a decision
            cycle.loading[i] = LoadFigures(cycle.now)
            cycle.tell("loading", t.id, f"{t.id}: no permissible loading: {error}")
            continue
        figures = tuple(loading.main_figures(results).values())
        cycle.loading[i] = (
            LoadFigures(cycle.now, results[0].valid_until_ns, figures)
            if any(f is not None for f in figures)
            else LoadFigures(cycle.now)
        )


def available(
    plan: Plan, t: TransformerPlan, inputs: Sequence[li.InputState], stages: Sequence[StageState]
) -> frozenset[str]:
    """Ids of the stages that may be counted on: healthy, in Auto, and able to prove that they run."""

    def says(i: int | None, otherwise: bool) -> bool:
        value = None if i is None or inputs[i].lost else inputs[i].value
        return otherwise if value is None else value >= 0.5

    def proves(s: StagePlan) -> bool:
        state = None if s.feedback is None else inputs[s.feedback]
        if plan.assume_running_as_called and (state is None or state.value is None):
            return True
        return state is not None and not state.lost

    def counts(s: StagePlan) -> bool:
        stage = stages[s.index]
        return (
            says(s.contacts.get("selector_auto"), True)
            and says(s.contacts.get("breaker_closed"), True)
            and not says(s.contacts.get("interlock"), False)
            and stage.hold_until_ns < 0
            and stage.proof is not Proof.UNPROVEN
            and proves(s)
        )

    supplied = says(t.inputs.get("ac_supply_healthy"), True) and says(t.inputs.get("phase_sequence_ok"), True)
    return frozenset(s.settings.id for s in t.stages if supplied and counts(s))


def day(state: State, plan: Plan, transformer: str, shape: loading.Day) -> tuple[loading.Peak, ...]:
    """The largest peak of a repeated day, from the last step as it was. ValueError: there is no figure."""
    t = {t.id: t for t in plan.layout.transformers}[transformer]
    if state.sample is None or state.estimate is None:
        raise ValueError("nothing has been decided yet")
    present = loading.present(plan.model, state.sample, state.estimate, t.id)
    stages = available(plan, t, state.inputs, state.stages)
    return loading.daily_peak(plan.loading[t.index], present, stages, shape)


def table(
    state: State, plan: Plan, transformer: str, forecast: loading.Forecast | None = None
) -> tuple[loading.LoadingResult, ...]:
    """Every limit set and duration, from the last step as it was; 10 to 60 ms. Empty before the first step.

    KeyError: no such transformer. The plan must have been built with permissible loading.
    """
    t = {t.id: t for t in plan.layout.transformers}[transformer]
    if state.sample is None or state.estimate is None:
        return ()
    present = loading.present(plan.model, state.sample, state.estimate, t.id)
    stages = available(plan, t, state.inputs, state.stages)
    return loading.permissible_loading(plan.loading[t.index], present, stages, forecast)
