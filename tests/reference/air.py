"""Moist air by PsychroLib (ASHRAE). JSON in: states of (°C, relative humidity, Pa); JSON out, SI units."""

import json
import sys

import psychrolib

psychrolib.SetUnitSystem(psychrolib.SI)


def of_state(temperature, humidity, pressure):
    ratio = psychrolib.GetHumRatioFromRelHum(temperature, humidity, pressure)
    return [
        psychrolib.GetSatVapPres(temperature),
        ratio,
        psychrolib.GetMoistAirEnthalpy(temperature, ratio),
        psychrolib.GetMoistAirVolume(temperature, ratio, pressure),
    ]


json.dump([of_state(*state) for state in json.load(sys.stdin)["states"]], sys.stdout)
