//! The resolver as a picture: sine against cosine with the fitted ellipse, and the angle's error over a turn.

use super::Evidence;
use super::charts::from_to;
use super::model::{Figure, Line, Panel, Tick};
use super::plot::{self, Points, Range};
use super::words;
use crate::metrics::{ResolverPicture, resolver_picture};
use crate::units::Unit;
use std::fmt::Write;

/// Columns of the error's chart.
const COLUMNS: usize = 360;
/// Side of the square box in which its paths are.
const SIDE: f64 = 1000.0;

/// A square picture above a chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Round {
    /// What it shows.
    pub title: String,
    /// How to read it, or why there is nothing to see.
    pub about: String,
    /// The picture; absent where there is nothing to see.
    pub square: Option<Square>,
}

/// One quantity against another of the same unit, equal scales, and a chart below it.
#[derive(Debug, Clone, PartialEq)]
pub struct Square {
    /// What is in it, in words, for those who do not see it.
    pub told: String,
    /// Names of the axes: across, upright.
    pub axes: [String; 2],
    /// Ticks, in per cent from the left and from the top.
    pub ticks: [Vec<Tick>; 2],
    /// SVG path of the samples, a stroke of no length each.
    pub dots: String,
    /// SVG path of the curve through them.
    pub curve: String,
    /// The chart.
    pub below: Figure,
}

/// One for each pair of sine and cosine that a criterion names.
pub(super) fn rounds(evidence: &Evidence<'_>) -> Vec<Round> {
    let mut pairs: Vec<(&str, &str)> = Vec::new();
    for criterion in evidence.plan.tests.iter().flat_map(|t| &t.criteria) {
        let id = criterion.metric.id();
        let with = criterion.given.texts().find(|(key, _)| *key == "with").map(|(_, name)| name);
        if let Some(cosine) = with.filter(|_| id.starts_with("resolver_") || id.starts_with("angle_noise"))
            && !pairs.contains(&(criterion.of.as_str(), cosine))
        {
            pairs.push((&criterion.of, cosine));
        }
    }
    pairs.into_iter().map(|(sine, cosine)| round(evidence, sine, cosine)).collect()
}

fn round(evidence: &Evidence<'_>, sine: &str, cosine: &str) -> Round {
    let title = format!("Resolver: {sine} against {cosine}");
    let picture = resolver_picture(evidence.columns, sine, cosine).map_err(|refusal| refusal.why);
    let wave = evidence.columns.bursts_of(sine).find_map(|b| b.channel(sine));
    let unit = wave.map_or_else(Unit::one, |w| w.unit.clone());
    let drawn = picture.and_then(|p| {
        let square = square(&p, &unit, [cosine, sine]).ok_or("its figures span no range".to_string())?;
        Ok((p, square))
    });
    match drawn {
        Ok((picture, square)) => {
            let largest = picture.error.iter().map(|(_, e)| e.abs()).fold(0.0, f64::max).to_degrees();
            let about = format!(
                "The burst at {} with {:.0} electrical turns. Dots are samples, the line is the ellipse fitted through \
                 all of them; it errs by up to {largest:.2}° electrical over a turn. Below, beside that, what the \
                 angle was measured to be off its own steady course, averaged over each sixtieth of a turn.",
                picture.began, picture.turns
            );
            Round { title, about, square: Some(square) }
        }
        Err(why) => Round { title, about: format!("No picture: {why}."), square: None },
    }
}

fn square(picture: &ResolverPicture, unit: &Unit, names: [&str; 2]) -> Option<Square> {
    let shown = |points: &[(f64, f64)]| -> Vec<(f64, f64)> {
        points.iter().map(|(x, y)| (unit.from_si(*x), unit.from_si(*y))).collect()
    };
    let (dots, curve) = (shown(&picture.points), shown(&picture.ellipse));
    let reach = dots.iter().chain(&curve).map(|(x, y)| x.abs().max(y.abs())).fold(0.0, f64::max);
    let range = Range::new(-1.06 * reach, 1.06 * reach)?;
    let place = |(x, y): &(f64, f64)| {
        ((range.share(*x) * SIDE).round() as i64, ((1.0 - range.share(*y)) * SIDE).round() as i64)
    };
    let mut dotted = String::new();
    for point in &dots {
        let (x, y) = place(point);
        // Writing into memory cannot fail.
        let _ = write!(dotted, "M{x} {y}h0");
    }
    let mut line = String::new();
    for (i, point) in curve.iter().enumerate() {
        let (x, y) = place(point);
        let _ = write!(line, "{}{x} {y}", if i == 0 { 'M' } else { 'L' });
    }
    let unit_text = words::unit_text(unit);
    let axis =
        |name: &str| if unit_text.is_empty() { name.to_string() } else { format!("{name}, {unit_text}") };
    Some(Square {
        told: format!(
            "{} against {}: {} samples and the ellipse through them, within {} either way",
            names[1],
            names[0],
            dots.len(),
            plot::short(reach, range)
        ),
        axes: names.map(axis),
        ticks: [plot::across(range, 5), plot::upright(range, 5)],
        dots: dotted,
        curve: line,
        below: below(picture)?,
    })
}

/// The error over a turn: what the ellipse makes, and what was measured.
fn below(picture: &ResolverPicture) -> Option<Figure> {
    let turn = Range::new(0.0, 360.0)?;
    let degrees = |points: &[(f64, f64)]| -> (Vec<f64>, Vec<f64>) {
        points.iter().map(|(at, error)| (at.to_degrees(), error.to_degrees())).unzip()
    };
    let (fitted, measured) = (degrees(&picture.error), degrees(&picture.measured));
    let range = Range::around(fitted.1.iter().chain(&measured.1).copied())?.at_least(0.2);
    let mut told = Vec::new();
    let mut lines = Vec::new();
    for (name, pattern, (t, v)) in [("by the ellipse", 0, &fitted), ("measured", 2, &measured)] {
        if t.is_empty() {
            continue;
        }
        told.extend(from_to(name, v.iter().copied(), range));
        let path = plot::line(Points { t, v, lost: &[], stands: false }, turn, range, COLUMNS);
        lines.push(Line { name: name.into(), unit: "° electrical".into(), pattern, path });
    }
    let panel = Panel {
        title: "Error of the angle over an electrical turn, its mean left out".into(),
        told: format!("Error of the angle from 0° to 360°: {}", told.join("; ")),
        unit: "° electrical".into(),
        low: range.low,
        high: range.high,
        log: false,
        ticks: plot::upright(range, 5),
        lines,
        shades: Vec::new(),
        levels: Vec::new(),
        lost: String::new(),
    };
    let ticks = (0..=8).map(|i| Tick { at: 12.5 * f64::from(i), text: format!("{}", 45 * i) }).collect();
    Some(Figure {
        title: "Error of the angle".into(),
        unit: "°",
        t0: 0.0,
        t1: 360.0,
        about: String::new(),
        ticks,
        bands: Vec::new(),
        marks: Vec::new(),
        panels: vec![panel],
    })
}
