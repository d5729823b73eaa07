//! The units of the trade: symbol, SI factor, dimension.

use super::{Across, Dim, Form, Kind};

const fn dim(mass: i8, length: i8, time: i8, current: i8, temperature: i8, angle: i8) -> Dim {
    Dim { mass, length, time, current, temperature, angle }
}

const NONE: Dim = dim(0, 0, 0, 0, 0, 0);
const TIME: Dim = dim(0, 0, 1, 0, 0, 0);
const FREQUENCY: Dim = dim(0, 0, -1, 0, 0, 0);
const ANGLE: Dim = dim(0, 0, 0, 0, 0, 1);
const SPEED: Dim = dim(0, 0, -1, 0, 0, 1);
const VOLTAGE: Dim = dim(1, 2, -3, -1, 0, 0);
const CURRENT: Dim = dim(0, 0, 0, 1, 0, 0);
const POWER: Dim = dim(1, 2, -3, 0, 0, 0);
const ENERGY: Dim = dim(1, 2, -2, 0, 0, 0);
const FORCE: Dim = dim(1, 1, -2, 0, 0, 0);
const PRESSURE: Dim = dim(1, -1, -2, 0, 0, 0);
const RESISTANCE: Dim = dim(1, 2, -3, -2, 0, 0);
const INDUCTANCE: Dim = dim(1, 2, -2, -2, 0, 0);
const CAPACITANCE: Dim = dim(-1, -2, 4, 2, 0, 0);
const FLUX: Dim = dim(1, 2, -2, -1, 0, 0);
const TEMPERATURE: Dim = dim(0, 0, 0, 0, 1, 0);
const MASS: Dim = dim(1, 0, 0, 0, 0, 0);
const LENGTH: Dim = dim(0, 1, 0, 0, 0, 0);
const VOLUME: Dim = dim(0, 3, 0, 0, 0, 0);

const TURN: f64 = std::f64::consts::TAU;

/// Every unit symbol that a file may use: symbol, SI per unit, dimension.
pub const UNIT_SYMBOLS: &[(&str, f64, Dim)] = &[
    ("1", 1.0, NONE),
    ("%", 0.01, NONE),
    ("ppm", 1e-6, NONE),
    ("count", 1.0, NONE),
    ("ns", 1e-9, TIME),
    ("us", 1e-6, TIME),
    ("µs", 1e-6, TIME),
    ("ms", 1e-3, TIME),
    ("s", 1.0, TIME),
    ("min", 60.0, TIME),
    ("h", 3600.0, TIME),
    ("d", 86400.0, TIME),
    ("Hz", 1.0, FREQUENCY),
    ("kHz", 1e3, FREQUENCY),
    ("MHz", 1e6, FREQUENCY),
    ("Bd", 1.0, FREQUENCY),
    ("rad", 1.0, ANGLE),
    ("mrad", 1e-3, ANGLE),
    ("deg", TURN / 360.0, ANGLE),
    ("°", TURN / 360.0, ANGLE),
    ("arcmin", TURN / 21_600.0, ANGLE),
    ("turn", TURN, ANGLE),
    ("rpm", TURN / 60.0, SPEED),
    ("krpm", 1e3 * TURN / 60.0, SPEED),
    ("uV", 1e-6, VOLTAGE),
    ("µV", 1e-6, VOLTAGE),
    ("mV", 1e-3, VOLTAGE),
    ("V", 1.0, VOLTAGE),
    ("kV", 1e3, VOLTAGE),
    ("uA", 1e-6, CURRENT),
    ("µA", 1e-6, CURRENT),
    ("mA", 1e-3, CURRENT),
    ("A", 1.0, CURRENT),
    ("kA", 1e3, CURRENT),
    ("mW", 1e-3, POWER),
    ("W", 1.0, POWER),
    ("kW", 1e3, POWER),
    ("J", 1.0, ENERGY),
    ("kJ", 1e3, ENERGY),
    ("mJ", 1e-3, ENERGY),
    ("Wh", 3600.0, ENERGY),
    ("kWh", 3.6e6, ENERGY),
    ("N", 1.0, FORCE),
    ("kN", 1e3, FORCE),
    ("Nm", 1.0, ENERGY),
    ("mNm", 1e-3, ENERGY),
    ("kNm", 1e3, ENERGY),
    ("Pa", 1.0, PRESSURE),
    ("kPa", 1e3, PRESSURE),
    ("MPa", 1e6, PRESSURE),
    ("mbar", 1e2, PRESSURE),
    ("bar", 1e5, PRESSURE),
    ("uOhm", 1e-6, RESISTANCE),
    ("µOhm", 1e-6, RESISTANCE),
    ("µΩ", 1e-6, RESISTANCE),
    ("mOhm", 1e-3, RESISTANCE),
    ("mΩ", 1e-3, RESISTANCE),
    ("Ohm", 1.0, RESISTANCE),
    ("Ω", 1.0, RESISTANCE),
    ("kOhm", 1e3, RESISTANCE),
    ("kΩ", 1e3, RESISTANCE),
    ("MOhm", 1e6, RESISTANCE),
    ("MΩ", 1e6, RESISTANCE),
    ("GOhm", 1e9, RESISTANCE),
    ("GΩ", 1e9, RESISTANCE),
    ("uH", 1e-6, INDUCTANCE),
    ("µH", 1e-6, INDUCTANCE),
    ("mH", 1e-3, INDUCTANCE),
    ("H", 1.0, INDUCTANCE),
    ("pF", 1e-12, CAPACITANCE),
    ("nF", 1e-9, CAPACITANCE),
    ("uF", 1e-6, CAPACITANCE),
    ("µF", 1e-6, CAPACITANCE),
    ("mF", 1e-3, CAPACITANCE),
    ("F", 1.0, CAPACITANCE),
    ("mWb", 1e-3, FLUX),
    ("Wb", 1.0, FLUX),
    ("K", 1.0, TEMPERATURE),
    ("°C", 1.0, TEMPERATURE),
    ("degC", 1.0, TEMPERATURE),
    ("mK", 1e-3, TEMPERATURE),
    ("g", 1e-3, MASS),
    ("kg", 1.0, MASS),
    ("um", 1e-6, LENGTH),
    ("µm", 1e-6, LENGTH),
    ("mm", 1e-3, LENGTH),
    ("cm", 1e-2, LENGTH),
    ("m", 1.0, LENGTH),
    ("L", 1e-3, VOLUME),
    ("mL", 1e-6, VOLUME),
];

/// Kinds that have a name of their own, with a quantity as one would write it.
const NAMED: &[(&str, &str, Dim)] = &[
    ("number", "0.5", NONE),
    ("duration", "20 ms", TIME),
    ("frequency", "100 Hz", FREQUENCY),
    ("angle", "30 deg", ANGLE),
    ("speed", "600 rpm", SPEED),
    ("speed rate", "300 rpm/s", dim(0, 0, -2, 0, 0, 1)),
    ("voltage", "155 V", VOLTAGE),
    ("current", "20 A", CURRENT),
    ("power", "2 kW", POWER),
    ("torque or energy", "12 Nm", ENERGY),
    ("force", "10 N", FORCE),
    ("pressure", "1 bar", PRESSURE),
    ("resistance", "18 mOhm", RESISTANCE),
    ("inductance", "0.37 mH", INDUCTANCE),
    ("capacitance", "4.7 mF", CAPACITANCE),
    ("flux linkage", "65 mWb", FLUX),
    ("temperature difference", "10 K", TEMPERATURE),
    ("temperature rate", "0.5 K/min", dim(0, 0, -1, 0, 1, 0)),
    ("mass", "10 kg", MASS),
    ("length", "0.2 mm", LENGTH),
    ("velocity", "1.8 mm/s", dim(0, 1, -1, 0, 0, 0)),
    ("acceleration", "9.8 m/s2", dim(0, 1, -2, 0, 0, 0)),
    ("flow", "8 L/min", dim(0, 3, -1, 0, 0, 0)),
    ("density", "1067 kg/m3", dim(1, -3, 0, 0, 0, 0)),
    ("specific heat", "3.4 kJ/kg/K", dim(0, 2, -2, 0, -1, 0)),
    ("inertia", "0.02 kg m2", dim(1, 2, 0, 0, 0, 0)),
    ("drag", "0.01 Nm s/rad", dim(1, 2, -1, 0, 0, -1)),
    ("heat capacity", "900 J/K", dim(1, 2, -2, 0, -1, 0)),
    ("thermal conductance", "12 W/K", dim(1, 2, -3, 0, -1, 0)),
    ("voltage rate", "100 V/s", dim(1, 2, -4, -1, 0, 0)),
    ("current rate", "100 A/s", dim(0, 0, -1, 1, 0, 0)),
];

pub(super) fn kind_name(kind: &Kind) -> String {
    let mut words = Vec::new();
    if kind.electrical {
        words.push("electrical");
    }
    match kind.across {
        Across::Plain => {}
        Across::Line => words.push("line"),
        Across::Phase => words.push("phase"),
    }
    let base = match NAMED.iter().find(|(_, _, d)| *d == kind.dim) {
        _ if kind.absolute => "temperature".to_string(),
        Some((name, _, _)) => name.to_string(),
        None => dimension_text(&kind.dim),
    };
    words.push(&base);
    match kind.form {
        Form::Plain => {}
        Form::Rms => words.push("(rms)"),
        Form::Peak => words.push("(peak)"),
    }
    words.join(" ")
}

pub(super) fn kind_example(kind: &Kind) -> Option<&'static str> {
    if kind.absolute {
        return Some("60 °C");
    }
    if kind.electrical || kind.form != Form::Plain || kind.across != Across::Plain {
        return match (kind.dim, kind.electrical, kind.form, kind.across) {
            (SPEED, true, Form::Plain, Across::Plain) => Some("2400 rpm electrical"),
            (CURRENT, false, Form::Rms, Across::Phase) => Some("20 A rms phase"),
            (CURRENT, false, Form::Rms, Across::Plain) => Some("20 A rms"),
            (CURRENT, false, Form::Peak, Across::Plain) => Some("28 A peak"),
            (VOLTAGE, false, Form::Rms, Across::Plain) => Some("110 V rms"),
            (VOLTAGE, false, Form::Rms, Across::Line) => Some("90 V rms line"),
            _ => None,
        };
    }
    NAMED.iter().find(|(_, _, d)| *d == kind.dim).map(|(_, example, _)| *example)
}

fn dimension_text(dim: &Dim) -> String {
    let parts = [
        ("kg", dim.mass),
        ("m", dim.length),
        ("s", dim.time),
        ("A", dim.current),
        ("K", dim.temperature),
        ("rad", dim.angle),
    ];
    let text: Vec<String> = parts
        .iter()
        .filter(|(_, exponent)| *exponent != 0)
        .map(
            |(symbol, exponent)| {
                if *exponent == 1 { symbol.to_string() } else { format!("{symbol}{exponent}") }
            },
        )
        .collect();
    format!("quantity in {}", text.join(" "))
}
