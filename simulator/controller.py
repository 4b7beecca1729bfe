"""The hand-held controller: charge of its battery, quality of its radio, and the status codes that both raise and clear.

A code follows the readings as sent, so whoever has the channels can see why it came. Every figure is assumed.
"""

from typing import Final, NamedTuple

import numpy as np

from domain.messages import EventKind, EventState
from simulator.machine import Floats
from simulator.record import Draft
from simulator.signals import Signals, crossings

BATTERY_CODE: Final = "R-415"
RADIO_CODE: Final = "R-402"
BATTERY_LOW_PCT: Final = 15.0
BATTERY_FINE_PCT: Final = 30.0
RADIO_POOR_PCT: Final = 20.0
RADIO_FINE_PCT: Final = 35.0

_BATTERY_LASTS_S: Final = 9 * 3600.0
_FLAT_PCT: Final = 5.0  # it is changed at once where it falls to this during a stop
_UNCHARGED_SHARE: Final = 0.02  # of days begun with a battery that was not on the charger
_SHADOW_SHARE: Final = 0.007  # of stops at which something comes between crane and operator for a while
_SHADOW_S: Final = (20.0, 120.0)
_SHADOW_DEPTH: Final = 0.92


class Controller(NamedTuple):
    """Readings of the controller at each sample, in whole percent."""

    battery_pct: Floats
    radio_pct: Floats


def controller_of(rng: np.random.Generator, signals: Signals) -> Controller:
    """Battery and radio over a day. What happens in it does not depend on the step: only the radio's noise does."""
    usual, uncharged, fresh = rng.uniform(85, 100), rng.uniform(16, 32), rng.uniform(92, 100)
    first = float(uncharged if rng.random() < _UNCHARGED_SHARE else usual)
    stops = int(signals.session[-1]) + 1
    level = rng.uniform(70, 98, stops)
    shadowed, begins = rng.random(stops) < _SHADOW_SHARE, rng.uniform(0.1, 0.8, stops)
    lasts_s = rng.uniform(*_SHADOW_S, stops)
    quality = level[signals.session] - 0.4 * signals.hook.outreach_m
    quality = quality * _clear_share(signals, np.flatnonzero(shadowed), begins, lasts_s)
    radio = np.clip(quality + rng.normal(0, 1.5, len(quality)), 0.0, 100.0)
    return Controller(np.round(battery_pct(signals, first, float(fresh))), np.round(radio))


def battery_pct(signals: Signals, first_pct: float, fresh_pct: float) -> Floats:
    """Charge [%] that falls evenly while the crane is powered; changed after a stop that left it low, or when flat."""
    used = 100.0 * signals.passed_s / _BATTERY_LASTS_S
    charge = first_pct - used
    new_stop = np.append(False, np.diff(signals.session) != 0)
    at = 0
    while True:
        due = (charge <= _FLAT_PCT) | (new_stop & (charge <= BATTERY_LOW_PCT))
        due[: at + 1] = False
        if not due.any():
            return np.clip(charge, 0.0, 100.0)
        at = int(np.argmax(due))
        charge[at:] = fresh_pct - (used[at:] - used[at])


def controller_drafts(controller: Controller, signals: Signals) -> list[Draft]:
    """Events of both codes. What is low when the crane is powered down is cleared there: the controller is off as well."""
    day = np.zeros_like(signals.session)
    drafts: list[Draft] = []
    for values, low, fine, group, code, text in (
        (
            controller.battery_pct,
            BATTERY_LOW_PCT,
            BATTERY_FINE_PCT,
            day,
            BATTERY_CODE,
            "Hand-held controller: battery low",
        ),
        (
            controller.radio_pct,
            RADIO_POOR_PCT,
            RADIO_FINE_PCT,
            signals.session,
            RADIO_CODE,
            "Hand-held controller: radio link interrupted",
        ),
    ):
        raised, cleared = crossings(-values, -low, -fine, group)
        for state, found in ((EventState.RAISED, raised), (EventState.CLEARED, cleared)):
            drafts += [(int(at), EventKind.FAULT, code, state, text) for at in signals.t_ms[found]]
    return drafts


def _clear_share(signals: Signals, stops: np.ndarray, begins: Floats, lasts_s: Floats) -> Floats:
    """Factor on the radio's quality: 1, and a smooth dip where something stands in its way."""
    share = np.ones(len(signals.t_ms))
    for stop in stops:
        here = signals.session == stop
        at_s = (signals.t_ms[here] - signals.t_ms[here][0]) / 1000
        into = np.clip((at_s - begins[stop] * at_s[-1]) / lasts_s[stop], 0.0, 1.0)
        share[here] = 1.0 - _SHADOW_DEPTH * np.sin(np.pi * into) ** 2
    return share
