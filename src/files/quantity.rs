//! Quantities whose kind the field knows: `every` is a duration, `bus` a voltage.

use super::read::{Definitions, Field, QUANTITY_PATTERN, Reader, entries, mismatch};
use crate::diag::Place;
use crate::units::{self, Kind, Quantity, with_article};
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

impl<K: KindTag> Field for Q<K> {
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        if value.get_ref().as_str().is_none() {
            let expected = with_article(&kind_of::<K>().name());
            return mismatch(value, reader, &format!("{expected} in quotes, such as \"{}\"", K::EXAMPLE));
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
                Some(format!("write it like \"{}\"", K::EXAMPLE)),
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
        Some(Q { si: quantity.si, text, at, kind: PhantomData })
    }
    fn schema(_: &mut Definitions) -> serde_json::Value {
        json!({"type": "string", "pattern": QUANTITY_PATTERN, "examples": [K::EXAMPLE]})
    }
    fn example() -> Option<String> {
        Some(format!("\"{}\"", K::EXAMPLE))
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
    ($($(#[doc = $doc:literal])* $name:ident = $example:literal, positive: $positive:literal;)*) => {
        $($(#[doc = $doc])* #[derive(Debug, Clone, Copy, PartialEq, Eq)] pub enum $name {}
        impl KindTag for $name {
            const EXAMPLE: &'static str = $example;
            const POSITIVE: bool = $positive;
        })*
        #[cfg(test)]
        pub(crate) const KIND_EXAMPLES: &[&str] = &[$($example),*];
    };
}

kind_tags! {
    /// A length of time above zero.
    Time = "20 ms", positive: true;
    /// A mechanical speed.
    Speed = "600 rpm", positive: false;
    /// A change of speed in time, above zero.
    SpeedRate = "300 rpm/s", positive: true;
    /// A voltage.
    Voltage = "155 V", positive: false;
    /// A current.
    Current = "20 A", positive: false;
    /// A temperature on a scale.
    Temperature = "60 °C", positive: false;
    /// A difference of temperatures above zero.
    TemperatureDifference = "2 K", positive: true;
    /// A resistance above zero.
    Resistance = "18 mOhm", positive: true;
    /// An inductance above zero.
    Inductance = "0.37 mH", positive: true;
    /// A capacitance above zero.
    Capacitance = "4.7 mF", positive: true;
    /// A flux linkage above zero.
    FluxLinkage = "65 mWb", positive: true;
    /// An inertia above zero.
    Inertia = "0.02 kg m2", positive: true;
    /// An energy above zero.
    Energy = "1 kJ", positive: true;
    /// A torque.
    Torque = "12 Nm", positive: false;
    /// A change of torque in time, above zero.
    TorqueRate = "2 Nm/s", positive: true;
    /// Drag proportional to speed.
    Drag = "0.01 Nm s/rad", positive: true;
    /// A heat capacity above zero.
    HeatCapacity = "900 J/K", positive: true;
    /// A thermal conductance above zero.
    Conductance = "12 W/K", positive: true;
    /// A frequency above zero.
    Frequency = "100 Hz", positive: true;
    /// A density above zero.
    Density = "1067 kg/m3", positive: true;
    /// A specific heat above zero.
    SpecificHeat = "3.4 kJ/kg/K", positive: true;
    /// An angle.
    Angle = "15 deg", positive: false;
    /// A plain number.
    Number = "0.5", positive: false;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_example_of_every_kind_is_a_quantity() {
        for example in KIND_EXAMPLES {
            units::parse_quantity(example).unwrap_or_else(|e| panic!("{example}: {e}"));
        }
    }
}
