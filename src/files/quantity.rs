//! Quantities whose kind the field knows: `every` is a duration, `bus` a voltage.

use super::read::{Definitions, Field, QUANTITY_PATTERN, Reader, entries, mismatch};
use crate::diag::Place;
use crate::units::{self, Kind, Quantity, blank, with_article};
use serde_json::json;
use std::marker::PhantomData;
use toml::Spanned;
use toml::de::DeValue;

/// A marker for a kind of quantity that a field always has.
pub trait KindTag: std::fmt::Debug + Clone {
    /// A quantity of the kind, as one writes it; the kind itself is read from it.
    const EXAMPLE: &'static str;
    /// Whether zero and negative values make no sense.
    const POSITIVE: bool = false;
    /// The largest that a bench may have, as one writes it, either way from zero; what is beyond is a slip of the pen, and sums of it
    /// may overflow.
    const LARGEST: &'static str;
    /// The smallest above zero of a quantity that must be above zero.
    const SMALLEST: &'static str;
}

/// A quantity of the kind `K`, in SI, with its place and the text as written.
#[derive(Debug, Clone, PartialEq)]
pub struct Q<K> {
    /// Value in SI units.
    pub si: f64,
    /// As written: `"300 rpm/s"` without the quotes.
    pub text: String,
    /// Where it was written.
    pub at: Place,
    kind: PhantomData<K>,
}

/// The kind of the example of a tag.
pub fn kind_of<K: KindTag>() -> Kind {
    // The examples are constants of this crate and a test reads every one of them.
    units::parse_quantity(K::EXAMPLE).map(|q| q.unit.kind).unwrap_or_default()
}

/// Why a quantity can be none of a bench, and what could; `None` if it can.
fn absurd<K: KindTag>(si: f64, text: &str) -> Option<(String, String)> {
    let of = |limit: &str| units::parse_quantity(limit).map(|q| q.si);
    let (Ok(smallest), Ok(largest)) = (of(K::SMALLEST), of(K::LARGEST)) else { return None };
    let kind = kind_of::<K>();
    if kind.absolute && si <= 0.0 {
        return Some((
            format!("`{text}` is not above absolute zero"),
            format!("write it like \"{}\"", K::EXAMPLE),
        ));
    }
    if K::POSITIVE && si < smallest * (1.0 - 1e-9) {
        let help = format!("the smallest {} here is \"{}\"", kind.name(), K::SMALLEST);
        return Some((format!("`{text}` is less than {}", K::SMALLEST), help));
    }
    // The same figure in another unit may differ in its last bit.
    if si.abs() > largest * (1.0 + 1e-9) {
        let help = format!("the largest {} here is \"{}\"", kind.name(), K::LARGEST);
        return Some((format!("`{text}` is more than {}", K::LARGEST), help));
    }
    None
}

impl<K: KindTag> Field for Q<K> {
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        if value.get_ref().as_str().is_none() {
            let expected = with_article(&kind_of::<K>().name());
            return mismatch(value, reader, &format!("{expected} in quotes, as \"{}\"", blank(K::EXAMPLE)));
        }
        let quantity = Quantity::read(value, reader)?;
        let at = reader.place(value.span());
        let expected = kind_of::<K>();
        let text = value.get_ref().as_str().unwrap_or_default().to_string();
        if quantity.unit.kind != expected {
            return reader.wrong(
                at,
                format!(
                    "`{text}` is {}, expected {}",
                    with_article(&quantity.unit.kind.name()),
                    with_article(&expected.name())
                ),
                Some(format!("write it as \"{}\"", blank(K::EXAMPLE))),
            );
        }
        if K::POSITIVE && quantity.si <= 0.0 {
            let expected = with_article(&expected.name());
            return reader.wrong(
                at,
                format!("`{text}` is not above zero, expected {expected} that is"),
                None,
            );
        }
        if let Some((message, help)) = absurd::<K>(quantity.si, &text) {
            return reader.wrong(at, message, Some(help));
        }
        Some(Q { si: quantity.si, text, at, kind: PhantomData })
    }
    fn schema(_: &mut Definitions) -> serde_json::Value {
        json!({"type": "string", "pattern": QUANTITY_PATTERN, "title": kind_of::<K>().name()})
    }
    fn example() -> Option<String> {
        Some(format!("\"{}\"", blank(K::EXAMPLE)))
    }
}

/// A nameplate value: one quantity, or the two ends between which it is known to lie.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranged<K> {
    /// Lower end in SI.
    pub low: f64,
    /// Upper end in SI; equal to the lower end if one value was written.
    pub high: f64,
    /// Where it was written.
    pub at: Place,
    kind: PhantomData<K>,
}

impl<K> Ranged<K> {
    /// The middle of the range.
    pub fn middle(&self) -> f64 {
        0.5 * (self.low + self.high)
    }
}

impl<K: KindTag> Field for Ranged<K> {
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        let at = reader.place(value.span());
        let (low, high) = match value.get_ref() {
            DeValue::Array(items) if items.len() == 2 => {
                let low = Q::<K>::read(&items[0], reader);
                let high = Q::<K>::read(&items[1], reader);
                (low?, high?)
            }
            DeValue::Array(items) => {
                let found = entries(items.len());
                return reader.wrong(at, format!("found {found}, expected the two ends of a range"), None);
            }
            _ => {
                let q = Q::<K>::read(value, reader)?;
                (q.clone(), q)
            }
        };
        if low.si > high.si {
            return reader.wrong(
                at,
                format!("the range runs from `{}` down to `{}`", low.text, high.text),
                Some("write the lower end first".into()),
            );
        }
        Some(Ranged { low: low.si, high: high.si, at, kind: PhantomData })
    }
    fn schema(definitions: &mut Definitions) -> serde_json::Value {
        let one = Q::<K>::schema(definitions);
        json!({"anyOf": [one, {"type": "array", "items": one, "minItems": 2, "maxItems": 2}]})
    }
    fn example() -> Option<String> {
        Q::<K>::example()
    }
}

/// The kinds that fields of the files always have.
macro_rules! kind_tags {
    ($($(#[doc = $doc:literal])* $name:ident = $example:literal, positive: $positive:literal, $smallest:literal to $largest:literal;)*) => {
        $($(#[doc = $doc])* #[derive(Debug, Clone, Copy, PartialEq, Eq)] pub enum $name {}
        impl KindTag for $name {
            const EXAMPLE: &'static str = $example;
            const POSITIVE: bool = $positive;
            const SMALLEST: &'static str = $smallest;
            const LARGEST: &'static str = $largest;
        })*
        #[cfg(test)]
        pub(crate) const KIND_EXAMPLES: &[[&str; 3]] = &[$([$example, $smallest, $largest]),*];
    };
}

kind_tags! {
    /// A length of time above zero.
    Time = "20 ms", positive: true, "1 us" to "30 d";
    /// A mechanical speed.
    Speed = "600 rpm", positive: false, "0 rpm" to "1e6 rpm";
    /// A change of speed in time, above zero.
    SpeedRate = "300 rpm/s", positive: true, "0.001 rpm/s" to "1e9 rpm/s";
    /// A voltage.
    Voltage = "155 V", positive: false, "0 V" to "100000 V";
    /// A current.
    Current = "20 A", positive: false, "0 A" to "100000 A";
    /// A temperature on a scale.
    Temperature = "60 °C", positive: false, "-273.15 °C" to "3000 °C";
    /// A difference of temperatures above zero.
    TemperatureDifference = "2 K", positive: true, "0.001 K" to "3000 K";
    /// A resistance above zero.
    Resistance = "18 mOhm", positive: true, "1e-9 Ohm" to "1e9 Ohm";
    /// An inductance above zero.
    Inductance = "0.37 mH", positive: true, "1e-9 H" to "1000 H";
    /// A capacitance above zero.
    Capacitance = "4.7 mF", positive: true, "1e-12 F" to "1000 F";
    /// A flux linkage above zero.
    FluxLinkage = "65 mWb", positive: true, "1e-6 Wb" to "1000 Wb";
    /// An inertia above zero.
    Inertia = "0.02 kg m2", positive: true, "1e-9 kg m2" to "1e6 kg m2";
    /// An energy above zero.
    Energy = "1 kJ", positive: true, "1e-6 J" to "1e9 J";
    /// A power.
    Power = "47 W", positive: false, "0 W" to "1e9 W";
    /// A torque.
    Torque = "12 Nm", positive: false, "0 Nm" to "1e6 Nm";
    /// A change of torque in time, above zero.
    TorqueRate = "2 Nm/s", positive: true, "0.001 Nm/s" to "1e9 Nm/s";
    /// Drag proportional to speed.
    Drag = "0.01 Nm s/rad", positive: true, "1e-12 Nm s/rad" to "1e6 Nm s/rad";
    /// A heat capacity above zero.
    HeatCapacity = "900 J/K", positive: true, "0.001 J/K" to "1e9 J/K";
    /// A thermal conductance above zero.
    Conductance = "12 W/K", positive: true, "1e-6 W/K" to "1e9 W/K";
    /// A frequency above zero.
    Frequency = "100 Hz", positive: true, "1e-6 Hz" to "1e9 Hz";
    /// A density above zero.
    Density = "1067 kg/m3", positive: true, "0.001 kg/m3" to "100000 kg/m3";
    /// A specific heat above zero.
    SpecificHeat = "3.4 kJ/kg/K", positive: true, "1 J/kg/K" to "1e6 J/kg/K";
    /// An angle.
    Angle = "15 deg", positive: false, "0 deg" to "100000 deg";
    /// A plain number.
    Number = "0.5", positive: false, "0" to "1e9";
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_example_of_every_kind_is_a_quantity() {
        for [example, smallest, largest] in KIND_EXAMPLES {
            let read = |text: &str| units::parse_quantity(text).unwrap_or_else(|e| panic!("{text}: {e}"));
            let [example, smallest, largest] = [example, smallest, largest].map(|text| read(text));
            assert!(smallest.si < example.si && example.si < largest.si, "{} {}", smallest.si, largest.si);
            assert!(smallest.unit.kind == example.unit.kind && largest.unit.kind == example.unit.kind);
        }
    }
}
