"""Units, references, places, languages."""

from __future__ import annotations

import numpy as np
from chamberdrift.shared.config import Config, Defaults, LayoutPin
from chamberdrift.shared.steam import pressure_at_altitude_kpa

from .shapes_common import BERLIN, C, idle
from .truth import Cycle, Shape, cycle, lines, num, rows_of, sited, zoned


def unit_shapes() -> list[Shape]:
    """Units, references, places, languages."""
    z = zoned()

    def table(head: str, make, *above: str, c: Cycle = C, foot: tuple[str, ...] = ()) -> bytes:  # type: ignore[no-untyped-def]
        return lines(
            rows_of(c, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S};" + make(t, p, q)),
            *above,
            head,
            foot=foot,
        ).encode()

    def both(t: float, p: float, q: float) -> str:
        return f"{num(t)};{num(p)}"

    def gauge(t: float, p: float, q: float) -> str:
        return f"{num(t)};{num((p - 101.325) / 100, 4)}"

    high = pressure_at_altitude_kpa(1500.0)
    thin_air = Cycle(C.ms, C.t, np.where(C.p == 101.3, round(high, 1), C.p), C.load)

    def at_height(t: float, p: float, q: float) -> str:
        real = round(high, 1) if p == 101.3 else p
        return f"{num(t)};{num(real - high, 2)}"

    def kelvin(t: float, p: float, q: float) -> str:
        return f"{num(t + 273.15, 2)};{num(p / 1000, 5)}"

    def f_psi(t: float, p: float, q: float) -> str:
        return f"{num(t * 1.8 + 32, 2)};{num((p - 101.325) / 6.894757293168361, 3)}"

    langs = [
        (
            "German",
            "Zeitpunkt;Kammertemperatur [°C];Kammerdruck absolut [kPa];Beladungstemperatur [°C]",
        ),
        (
            "French",
            "Date et heure;Température cuve (°C);Pression absolue (kPa);Température charge (°C)",
        ),
        (
            "Spanish",
            "Fecha y hora;Temperatura cámara (°C);Presión absoluta (kPa);Temperatura carga (°C)",
        ),
        (
            "Italian",
            "Data e ora;Temperatura camera (°C);Pressione assoluta (kPa);Temperatura carico (°C)",
        ),
        (
            "Portuguese",
            "Data e hora;Temperatura câmara (°C);Pressão absoluta (kPa);Temperatura carga (°C)",
        ),
        (
            "Dutch",
            "Datum en tijd;Kamertemperatuur (°C);Druk absoluut (kPa);Temperatuur lading (°C)",
        ),
        (
            "English",
            "Date, time;Drain temperature (°C);Chamber pressure, absolute (kPa);Load probe (°C)",
        ),
    ]
    spoken = [
        Shape(
            f"header in {name}",
            table(head, lambda t, p, q: f"{num(t)};{num(p)};{num(q)}"),
            C,
            config=z,
            load=True,
        )
        for name, head in langs
    ]
    return [
        *spoken,
        Shape(
            "°F and psig",
            table("Time;Temp (°F);Pressure (psig)", f_psi),
            C,
            config=z,
            assumed=True,
        ),
        Shape(
            "K and MPa absolute",
            table("Time;Temperature [K];Pressure [MPa abs]", kelvin),
            C,
            config=z,
        ),
        Shape(
            "gauge bar, altitude of the site",
            table("Time;Temp °C;Pressure kPa gauge", at_height),
            thin_air,
            config=sited(altitude_m=1500.0),
        ),
        Shape(
            "gauge with the atmosphere stated",
            table("Time;Temp °C;Pressure (bar g)", gauge, "Barometric pressure: 1013.25 hPa"),
            C,
            config=z,
        ),
        Shape(
            "Überdruck",
            table("Zeit;Temperatur °C;Überdruck bar", gauge),
            C,
            config=z,
            assumed=True,
        ),
        Shape(
            "sealed gauge", table("Time;Temp °C;Pressure bar (sealed gauge)", gauge), C, config=z
        ),
        Shape("units row", table("Time;Temperature;Pressure\n;°C;kPa abs", both), C, config=z),
        Shape(
            "units row with the date's format",
            table("Time;Temperature;Pressure\n[yyyy-mm-dd hh:mm:ss];[°C];[kPa(a)]", both),
            C,
            config=z,
        ),
        Shape(
            "units above",
            table(
                "Time;Temperature;Pressure",
                both,
                "Temperature unit: °C",
                "Pressure unit: kPa (absolute)",
            ),
            C,
            config=z,
        ),
        Shape(
            "units in a list above",
            table("Time;Temperature;Pressure", both, "Units: °C, kPa abs"),
            C,
            config=z,
        ),
        Shape(
            "reference alone above",
            table("Time;Temperature (°C);Pressure (kPa)", both, "Pressure reference: absolute"),
            C,
            config=z,
        ),
        Shape(
            "units in cells",
            table(
                "Time;Temperature;Pressure (absolute)", lambda t, p, q: f"{num(t)} °C;{num(p)} kPa"
            ),
            C,
            config=z,
        ),
        Shape(
            "units in own columns",
            table(
                "Time;Temperature;Unit;Pressure (absolute);Unit",
                lambda t, p, q: f"{num(t)};°C;{num(p)};kPa",
            ),
            C,
            config=z,
        ),
        Shape(
            "two header rows",
            table(
                "Time;Chamber;;Load\n;Temp °C;Press kPa abs;Temp °C",
                lambda t, p, q: f"{num(t)};{num(p)};{num(q)}",
            ),
            C,
            config=z,
            load=True,
        ),
        Shape(
            "channels named above",
            table(
                "Time;CH1;CH2;CH3",
                lambda t, p, q: f"{num(t)};{num(p)};{num(q)}",
                "CH1: Chamber temperature °C",
                "CH2: Chamber pressure kPa abs",
                "CH3: Load temperature °C",
            ),
            C,
            config=z,
            load=True,
        ),
        Shape(
            "no temperature unit, settled by steam",
            table("Time;Temperature;Pressure kPa abs", both),
            C,
            config=z,
        ),
        Shape(
            "no temperature unit, °F settled by steam",
            table("Time;Temperature;Pressure psig", f_psi),
            C,
            config=z,
            assumed=True,
        ),
        Shape(
            "no temperature unit, idle only",
            table(
                "Time;Temperature;Pressure kPa abs",
                both,
                c=cycle(setpoint=22.0, room=21.0, rows=360) if False else idle(),
            ),
            config=z,
            cause="temperature_unit",
        ),
        Shape(
            "no pressure unit",
            table("Time;Temperature °C;Pressure abs", both),
            config=z,
            cause="pressure_unit",
            says="kPa",
        ),
        Shape(
            "no reference, settled by steam",
            table("Time;Temperature °C;Pressure kPa", both),
            C,
            config=z,
        ),
        Shape(
            "no reference, gauge settled by steam",
            table("Time;Temperature °C;Pressure bar", gauge),
            C,
            config=z,
            assumed=True,
        ),
        Shape(
            "no reference, idle only",
            table(
                "Time;Temperature °C;Pressure kPa",
                lambda t, p, q: f"{num(t)};{num(0.1)}",
                c=idle(),
            ),
            config=z,
            cause="pressure_reference",
        ),
        Shape(
            "no reference, by the defaults",
            table("Time;Temperature °C;Pressure kPa", both, c=idle()),
            idle(),
            config=zoned(pressure_reference="absolute"),
        ),
        Shape(
            "stated absolute, steam says gauge",
            table("Time;Temperature °C;Pressure bar abs", gauge),
            config=z,
            cause="unit_contradiction",
            says="gauge",
        ),
        Shape(
            "stated gauge, steam says absolute",
            table("Time;Temperature °C;Pressure kPa gauge", both),
            config=z,
            cause="unit_contradiction",
            says="absolute",
        ),
        Shape(
            "stated °C, steam says °F",
            table(
                "Time;Temperature °C;Pressure kPa abs",
                lambda t, p, q: f"{num(t * 1.8 + 32)};{num(p)}",
            ),
            config=z,
            cause="unit_contradiction",
            says="°F",
        ),
        Shape(
            "stated bar, steam says psi",
            table(
                "Time;Temperature °C;Pressure bar abs",
                lambda t, p, q: f"{num(t)};{num(p / 6.894757, 3)}",
            ),
            config=z,
            cause="unit_contradiction",
        ),
        Shape(
            "swapped columns",
            table("Time;Temperature °C;Pressure kPa abs", lambda t, p, q: f"{num(p)};{num(t)}"),
            config=z,
            cause="unit_contradiction",
            says="swapped",
        ),
        Shape(
            "two unnamed temperatures",
            table("Time;Temp 1 °C;Temp 2 °C", lambda t, p, q: f"{num(t)};{num(q)}"),
            config=z,
            cause="channels",
        ),
        Shape(
            "two unnamed temperatures, pinned",
            table("Time;Temp 1 °C;Temp 2 °C", lambda t, p, q: f"{num(t)};{num(q)}"),
            C,
            pressure=False,
            load=True,
            config=Config(
                defaults=Defaults(zone=BERLIN),
                layouts=(
                    LayoutPin(
                        "north/*.csv",
                        columns=(("Temp 1 °C", "temperature_c"), ("Temp 2 °C", "temperature2_c")),
                    ),
                ),
            ),
        ),
        Shape(
            "set point, limits and jacket beside",
            table(
                "Time;Set point °C;Max temperature °C;Jacket °C;Chamber °C;Chamber kPa abs;F0 min",
                lambda t, p, q: f"121.0;{num(t + 3)};{num(t + 9)};{num(t)};{num(p)};0.0",
            ),
            C,
            config=z,
        ),
        Shape(
            "no header, nothing pinned",
            table("x", both).split(b"\n", 1)[1],
            config=z,
            cause="channels",
        ),
        Shape(
            "no header, columns pinned",
            table("x", both).split(b"\n", 1)[1],
            C,
            config=Config(
                defaults=Defaults(
                    zone=BERLIN,
                    pressure_reference="absolute",
                    temperature_unit="°C",
                    pressure_unit="kPa",
                ),
                layouts=(
                    LayoutPin(
                        "north/*",
                        columns=(
                            ("column 1", "time"),
                            ("column 2", "temperature_c"),
                            ("column 3", "pressure_kpa"),
                        ),
                    ),
                ),
            ),
        ),
        Shape(
            "only a temperature",
            table("Time;Drain °C", lambda t, p, q: num(t)),
            C,
            config=z,
            pressure=False,
        ),
        Shape(
            "three places everywhere, decimal comma",
            table(
                "Zeit;Temperatur °C;Druck kPa abs",
                lambda t, p, q: f"{num(t, 3, ',')};{num(p, 3, ',')}",
            ),
            C,
            config=z,
        ),
        Shape(
            "inches of vacuum and pounds of pressure in one column",
            table(
                "Time;Temp (°F);Pressure (inHg/psi)",
                lambda t, p, q: (
                    f"{num(t * 1.8 + 32)};"
                    f"{num((p - 101.325) / (6.894757 if p > 101.325 else 3.386389), 2)}"
                ),
            ),
            config=z,
            cause="foreign_unit",
            says="inHg/psi",
        ),
        Shape(
            "two units of temperature, one of them meant",
            table("Time;Temp (°C/°F)", lambda t, p, q: num(t)),
            config=z,
            cause="foreign_unit",
            says="two units",
        ),
        Shape(
            "two units of pressure, one of them meant",
            table("Time;Temp °C;Pressure abs bar/psi", lambda t, p, q: f"{num(t)};{num(p / 100)}"),
            config=z,
            cause="foreign_unit",
            says="two units",
        ),
        Shape(
            "bar(o) in cells",
            table(
                "Tijd;Temperatuur;Druk",
                lambda t, p, q: f"{num(t)} °C;{num((p - 101.325) / 100, 3)} bar(o)",
            ),
            C,
            config=z,
            assumed=True,
        ),
        Shape(
            "three places everywhere, one mark open",
            table(
                "Zeit;Temperatur °C;Druck bar abs",
                lambda t, p, q: f"{num(t, 0)};{num(p / 100, 3, ',')}",
            ),
            config=z,
            cause="decimal_mark",
        ),
    ]
