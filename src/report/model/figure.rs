//! Charts as the renderers get them.

/// Panels above one axis, mostly that of time. Positions are per cent of the width or height.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// What it shows.
    pub title: String,
    /// Unit of the axis: "s" since the run began, "Hz", or "°" of a turn.
    pub unit: &'static str,
    /// Begin of the axis.
    pub t0: f64,
    /// End of the axis.
    pub t1: f64,
    /// A sentence or two on how to read it; may be empty.
    pub about: String,
    /// Ticks of the axis.
    pub ticks: Vec<Tick>,
    /// Stretches of time with a name.
    pub bands: Vec<Band>,
    /// Moments to point at.
    pub marks: Vec<Mark>,
    /// The panels, top down.
    pub panels: Vec<Panel>,
}

/// One panel.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// What it shows.
    pub title: String,
    /// What is in it, in words, for those who do not see it.
    pub told: String,
    /// Unit of its axis.
    pub unit: String,
    /// Value at the bottom.
    pub low: f64,
    /// Value at the top.
    pub high: f64,
    /// Whether `low` and `high` are decimal logarithms of values.
    pub log: bool,
    /// Ticks of its axis, from the top.
    pub ticks: Vec<Tick>,
    /// Lines.
    pub lines: Vec<Line>,
    /// Strokes below the lines that show a third quantity by how dark they are.
    pub shades: Vec<Shade>,
    /// Levels that trip.
    pub levels: Vec<Level>,
    /// SVG path of short strokes where values were asked for and not got; empty if none.
    pub lost: String,
}

/// Level strokes of one darkness.
#[derive(Debug, Clone, PartialEq)]
pub struct Shade {
    /// How dark, 1 (palest) to 5.
    pub level: u8,
    /// Width of a stroke in units of the box.
    pub height: i64,
    /// SVG path in the same box as a line's.
    pub path: String,
}

/// One line of a panel.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Name.
    pub name: String,
    /// Unit of its values.
    pub unit: String,
    /// Which pattern, 0 to 3: they differ without colour. 9 for a demand.
    pub pattern: u8,
    /// SVG path in a box of `plot::WIDTH` by `plot::HEIGHT`.
    pub path: String,
}

/// A tick.
#[derive(Debug, Clone, PartialEq)]
pub struct Tick {
    /// Position in per cent.
    pub at: f64,
    /// Text.
    pub text: String,
}

/// A stretch of time with a name.
#[derive(Debug, Clone, PartialEq)]
pub struct Band {
    /// Begin in per cent.
    pub left: f64,
    /// Width in per cent.
    pub width: f64,
    /// Name.
    pub name: String,
    /// Whether it is shaded: every second one.
    pub shaded: bool,
}

/// A moment to point at.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Position in per cent.
    pub at: f64,
    /// What happened.
    pub text: String,
    /// Whether it is a trip, as against a stop.
    pub trip: bool,
}

/// A level that trips.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// Position from the top in per cent.
    pub at: f64,
    /// Its name and value.
    pub text: String,
    /// Whether it trips below.
    pub below: bool,
}
