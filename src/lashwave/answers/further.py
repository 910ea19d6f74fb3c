"""Answers that take a budget, a fold or an order of events: account, fold, crack, order."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashwave.answers import account, amplify, crack, crack_shape, energy, extension, fold, order
from lashwave.answers.account_lists import put_account
from lashwave.answers.bend import Bends
from lashwave.answers.register import attributes
from lashwave.quantities.answer import Answer, from_draws
from lashwave.quantities.arrays import Array
from lashwave.quantities.fit import Draws, FrontBirths
from lashwave.quantities.trial import Trial

if TYPE_CHECKING:
    import xarray as xr


def answer(
    trial: Trial, draws: Draws, sonic: crack.SonicDraws, peak_time: Array, bends: Bends,
    lists: xr.Dataset,
) -> tuple[dict[str, Answer], list[str]]:  # fmt: skip
    """Further answers by name, and what must be warned of; their lists are added to `lists`.

    bends : of the draws that `account.some` chooses.
    """
    booked = account.ask(trial, draws)
    put_account(lists, booked, trial.line)
    chosen = account.some(draws)
    chain = account.chain_of(trial, draws.station)
    runs = fold.runs(draws, chosen, bends, trial.line.handle_length, peak_time)
    shares = amplify.parts(draws, chosen, runs, chain, peak_time)
    stretched = extension.ask(draws, peak_time)
    table = order.order(order.events(trial, draws, sonic.time, peak_time, stretched.full))
    put_order(lists, table)
    found = {
        **extension.answers(stretched),
        "peak_kinetic_energy": from_draws(
            energy.peak_kinetic_energy(
                draws.time, draws.kinetic_energy[chosen], account.excess(booked)
            ),
            "J",
        ),
        **account.answers(booked),
        **amplify.answers(runs, chain, shares),
        **crack_shape.answers(draws, sonic, peak_time, trial.gravity),
        **order.answers(table),
    }
    return found, account.cautions(draws.time, booked)


def add_fronts(
    trial: Trial, draws: Draws, sonic: crack.SonicDraws, births: dict[str, FrontBirths],
    lists: xr.Dataset,
) -> tuple[dict[str, Answer], xr.Dataset]:  # fmt: skip
    """The order of events again, with each draw's births of fronts, by camera."""
    from lashwave.answers import tip

    peak = tip.ask(draws).peak_time
    found = order.events(trial, draws, sonic.time, peak, extension.ask(draws, peak).full)
    every = order.with_front(found, births)
    if len(every) == len(found):
        return {}, lists
    table = order.order(every)
    lists = lists.drop_dims(("event", "event_after"))
    put_order(lists, table)
    return order.answers(table), lists


def put_order(lists: xr.Dataset, table: order.Order) -> None:
    """`probability_before`, row before column, and the likeliest order."""
    lists.coords["event"] = list(table.events)
    lists.coords["event_after"] = list(table.events)
    likeliest = " < ".join(table.likeliest)
    said = {
        **attributes("probability_before"),
        "most_probable_order": likeliest,
        "most_probable_order_probability": table.probability,
        "draws": table.draws,
    }
    lists["probability_before"] = (("event", "event_after"), table.before, said)
    alone = attributes("probability_of_event")
    lists["probability_of_event"] = (("event",), table.happened, alone)
