//! Bursts as figures: the spectrum and, where the speed moved, the speed-frequency map with lines of orders.

use super::Evidence;
use super::charts::from_to;
use super::marks::{Order, orders};
use super::model::{Figure, Line, Mark, Panel, Shade, Tick};
use super::plot::{self, HEIGHT, Points, Range, WIDTH};
use super::words;
use crate::columns::Columns;
use crate::files::rig::Role;
use crate::metrics::{MapRow, SpeedMap, speed_map};
use crate::units::{Dim, Unit};
use std::f64::consts::TAU;

/// Most columns of a spectrum; a column holds its largest line, so that none is lost.
const COLUMNS: usize = 600;
/// Most columns of the map: some of the spectrum's are joined.
const CELLS: usize = 150;
/// Rows of the map from standstill to the highest speed.
const ROWS: usize = 40;
/// Share of the largest line below which the high end of a spectrum is not drawn: of a current, whose noise soon
/// hides its orders, and of anything else.
const QUIET: (f64, f64) = (0.02, 0.002);
/// Decades that a spectrum spans below its largest line.
const DECADES: f64 = 4.0;
/// Shares of the largest line from which on a stroke is as dark: steps of 10 dB.
const LEVELS: [(f64, u8); 5] = [(0.316, 5), (0.1, 4), (0.0316, 3), (0.01, 2), (0.00316, 1)];
/// Speeds that differ by less than this make no map.
const SPREAD_MIN: f64 = 1.2;

/// One figure for each channel of a burst in the record.
pub(super) fn figures(evidence: &Evidence<'_>) -> Vec<Figure> {
    let mut names: Vec<&str> = Vec::new();
    for channel in evidence.columns.bursts.iter().flat_map(|b| &b.channels) {
        if !names.contains(&channel.name.as_str()) {
            names.push(&channel.name);
        }
    }
    names.into_iter().map(|name| figure(evidence, name)).collect()
}

fn figure(evidence: &Evidence<'_>, of: &str) -> Figure {
    let title = format!("Bursts of {of}");
    drawn(evidence, of, &title).unwrap_or_else(|why| Figure {
        title,
        unit: "Hz",
        t0: 0.0,
        t1: 1.0,
        about: format!("No spectrum: {why}."),
        ticks: Vec::new(),
        bands: Vec::new(),
        marks: Vec::new(),
        panels: Vec::new(),
    })
}

fn drawn(evidence: &Evidence<'_>, of: &str, title: &str) -> Result<Figure, String> {
    let (plan, columns) = (evidence.plan, evidence.columns);
    let speed = plan.channel_with(Role::ShaftSpeed).and_then(|i| plan.channels.get(i));
    let speed = speed.ok_or("no channel has the role of the shaft's speed")?;
    let unit = unit_of(columns, of).ok_or("it is not in the record")?;
    let half = columns.bursts_of(of).map(|b| 0.5 * b.rate);
    let half = half.filter(|r| r.is_finite()).fold(f64::INFINITY, f64::min);
    let whole = speed_map(columns, of, &speed.name, half, COLUMNS).map_err(|r| r.why)?;
    let fastest = whole.rows.last().ok_or("no burst is in it")?.speed;
    let quiet = if is_current(&unit) { QUIET.0 } else { QUIET.1 };
    let highest = loud_end(&whole, quiet).max(12.5 * fastest / TAU).min(half);
    // A column narrower than two lines are apart would often hold none.
    let bursts = columns.bursts_of(of);
    let shortest = bursts.map(|b| b.length()).filter(|l| l.is_finite()).fold(f64::INFINITY, f64::min);
    let count = ((highest * shortest) as usize).clamp(1, COLUMNS);
    let map = speed_map(columns, of, &speed.name, highest, count).map_err(|r| r.why)?;
    let across = Range::new(0.0, highest).ok_or("its rate gives no frequencies")?;
    let orders = orders(plan, of, &unit);
    let marks = marks(&orders, fastest / TAU, across);
    let (spectrum, largest) = spectrum(&map, &unit, &speed.unit, across).ok_or("there is no line in it")?;
    let mut panels = vec![spectrum];
    panels.extend(map_panel(&map, largest, &unit, &speed.unit, &orders, across));
    let mut about = format!(
        "{}; marks stand at orders of the shaft at {}.",
        words::count(map.rows.len(), "burst", "bursts"),
        speed_text(&speed.unit, fastest)
    );
    if highest < half {
        about += &format!(
            " From {highest:.0} Hz up to {half:.0} Hz nothing reaches {} % of the largest line: not drawn.",
            words::tidy(100.0 * quiet)
        );
    }
    let smeared = map.rows.iter().map(|r| r.smear).fold(0.0, f64::max);
    if smeared > 0.01 {
        about += &format!(
            " While a burst was taken the speed changed by up to {:.0} %: lines of orders are as wide.",
            smeared * 100.0
        );
    }
    if let Some(why) = map.left_out.first() {
        about += &format!(" {} left out: {why}.", words::count(map.left_out.len(), "burst", "bursts"));
    }
    let ticks = plot::across(across, 8);
    let bands = Vec::new();
    Ok(Figure { title: title.into(), unit: "Hz", t0: 0.0, t1: highest, about, ticks, bands, marks, panels })
}

fn unit_of(columns: &Columns, of: &str) -> Option<Unit> {
    columns.bursts.iter().find_map(|b| b.channel(of)).map(|c| c.unit.clone())
}

fn is_current(unit: &Unit) -> bool {
    unit.kind.dim == Dim { current: 1, ..Dim::default() }
}

/// The frequency above which no column of any burst comes near the largest.
fn loud_end(map: &SpeedMap, quiet: f64) -> f64 {
    let largest = map.rows.iter().flat_map(|r| &r.amplitudes).copied().fold(0.0, f64::max);
    let last = |row: &MapRow| row.amplitudes.iter().rposition(|a| *a >= quiet * largest).unwrap_or(0);
    let last = map.rows.iter().map(last).max().unwrap_or(0);
    1.1 * (last + 1) as f64 * map.width
}

fn marks(orders: &[Order], turns: f64, across: Range) -> Vec<Mark> {
    let inside = orders.iter().filter(|o| o.per_turn * turns <= across.high);
    inside
        .map(|o| Mark { at: across.share(o.per_turn * turns) * 100.0, text: o.name.clone(), trip: false })
        .collect()
}

fn speed_text(unit: &Unit, speed: f64) -> String {
    words::with_unit(&format!("{:.0}", unit.from_si(speed)), &words::unit_text(unit))
}

/// The burst at the highest speed and, where it differs, the one at the lowest; and the largest amplitude.
fn spectrum(map: &SpeedMap, unit: &Unit, speed: &Unit, across: Range) -> Option<(Panel, f64)> {
    let (first, last) = (map.rows.first()?, map.rows.last()?);
    let mut rows = vec![last];
    if last.speed > SPREAD_MIN * first.speed {
        rows.push(first);
    }
    let largest = map.rows.iter().flat_map(|r| &r.amplitudes).copied().fold(0.0, f64::max);
    let top = unit.difference_from_si(largest).log10();
    let range = Range::new(top - DECADES, top + 0.15)?;
    let unit_text = format!("{} peak", words::unit_text(unit)).trim_start().to_string();
    let t: Vec<f64> = (0..last.amplitudes.len()).map(|k| (k as f64 + 0.5) * map.width).collect();
    let mut told = Vec::new();
    let lines = rows.iter().zip(0..).map(|(row, pattern)| {
        let shown = |a: f64| unit.difference_from_si(a).log10().max(range.low);
        let v: Vec<f64> = row.amplitudes.iter().map(|a| shown(*a)).collect();
        let peak = (0..v.len()).max_by(|a, b| v[*a].total_cmp(&v[*b])).unwrap_or(0);
        let name = format!("at {}", speed_text(speed, row.speed));
        told.push(format!(
            "{name} the largest line is {:.3} {unit_text} near {:.0} Hz",
            10f64.powf(v[peak]),
            t[peak]
        ));
        let path = plot::line(Points { t: &t, v: &v, lost: &[], stands: false }, across, range, COLUMNS);
        Line { name, unit: unit_text.clone(), pattern, path }
    });
    let lines: Vec<Line> = lines.collect();
    let panel = Panel {
        title: "Spectrum".into(),
        told: format!("Spectrum up to {:.0} Hz: {}", across.high, told.join("; ")),
        unit: unit_text,
        low: range.low,
        high: range.high,
        log: true,
        ticks: decades(range),
        lines,
        shades: Vec::new(),
        levels: Vec::new(),
        lost: String::new(),
    };
    Some((panel, largest))
}

/// Ticks at whole powers of ten, from the top.
fn decades(range: Range) -> Vec<Tick> {
    let (first, last) = (range.low.ceil() as i32, range.high.floor() as i32);
    (first..=last)
        .map(|k| {
            let text = match k {
                -4..=4 => format!("{:.*}", (-k).max(0) as usize, 10f64.powi(k)),
                _ => format!("1e{k}"),
            };
            Tick { at: (1.0 - range.share(f64::from(k))) * 100.0, text }
        })
        .collect()
}

/// Frequency across, speed upwards, amplitude as darkness. For a current the spectrum is enough.
fn map_panel(
    map: &SpeedMap,
    largest: f64,
    unit: &Unit,
    speed: &Unit,
    orders: &[Order],
    across: Range,
) -> Option<Panel> {
    let (first, last) = (map.rows.first()?.speed, map.rows.last()?.speed);
    if map.rows.len() < 3 || last <= SPREAD_MIN * first || is_current(unit) {
        return None;
    }
    let range = Range::new(0.0, speed.from_si(last) * (1.0 + 1.0 / ROWS as f64))?;
    let joined = map.rows.first()?.amplitudes.len().div_ceil(CELLS);
    let mut cells = vec![vec![0.0_f64; map.rows.first()?.amplitudes.len().div_ceil(joined)]; ROWS];
    for row in &map.rows {
        let at = ((range.share(speed.from_si(row.speed)) * ROWS as f64) as usize).min(ROWS - 1);
        for (cell, part) in cells[at].iter_mut().zip(row.amplitudes.chunks(joined)) {
            *cell = part.iter().copied().fold(*cell, f64::max);
        }
    }
    let drawn = orders.iter().filter(|order| !order.beside);
    let lines = drawn.zip([1, 2, 3, 0].into_iter().cycle()).map(|(order, pattern)| {
        let end = (order.per_turn * last / TAU).min(across.high);
        let v = [0.0, speed.from_si(end / order.per_turn * TAU)];
        let points = Points { t: &[0.0, end], v: &v, lost: &[], stands: false };
        let path = plot::line(points, across, range, COLUMNS);
        Line { name: order.name.clone(), unit: words::unit_text(speed), pattern, path }
    });
    let lines: Vec<Line> = lines.collect();
    let speeds = map.rows.iter().map(|r| speed.from_si(r.speed));
    let mut told: Vec<String> = from_to("speed", speeds, range).into_iter().collect();
    told.extend(lines.iter().map(|l| format!("line of {}", l.name)));
    Some(Panel {
        title: "Speed-frequency map: darker is larger, 10 dB a step".into(),
        told: format!("Speed-frequency map up to {:.0} Hz: {}", across.high, told.join("; ")),
        unit: words::unit_text(speed),
        low: range.low,
        high: range.high,
        log: false,
        ticks: plot::upright(range, 6),
        lines,
        shades: shades(&cells, joined as f64 * map.width / across.high * WIDTH, largest),
        levels: Vec::new(),
        lost: String::new(),
    })
}

/// One path for each darkness; neighbours of one darkness are one stroke.
fn shades(cells: &[Vec<f64>], across: f64, largest: f64) -> Vec<Shade> {
    let level = |a: f64| LEVELS.iter().find(|(share, _)| a >= share * largest).map_or(0, |(_, level)| *level);
    let x = |cell: usize| (cell as f64 * across).min(WIDTH).round();
    let height = (HEIGHT / cells.len() as f64).round() as i64;
    let mut paths: [String; 6] = Default::default();
    for (i, row) in cells.iter().enumerate() {
        let y = (HEIGHT * (1.0 - (i as f64 + 0.5) / cells.len() as f64)).round();
        let mut k = 0;
        while k < row.len() {
            let dark = level(row[k]);
            let run = row[k..].iter().take_while(|a| level(**a) == dark).count();
            if dark > 0 {
                paths[usize::from(dark)] += &format!("M{} {y}h{}", x(k), x(k + run) - x(k));
            }
            k += run;
        }
    }
    let made = (1..).zip(paths.into_iter().skip(1)).filter(|(_, path)| !path.is_empty());
    made.map(|(level, path)| Shade { level, height, path }).collect()
}
