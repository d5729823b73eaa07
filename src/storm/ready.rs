//! Nothing is enabled that is not ready: every kind of pre-check, worked out here from the samples of its watch. Judged by the
//! bytes both ways, and for the coolant by the twin's truth too.
//!
//! The judge does not know when the watch began or ended. What it holds against a machine lies in it for certain: asked for no
//! longer before the enabling frame than the watch lasts, and known before the last poll on the way to that frame, which no
//! machine sends that has a frame to enable with. Means are judged by the ends of all that may be in them. What a
//! heat pulse leaves behind is not judged, nor a channel that is derived.

use super::demands::rounding;
use super::evidence::{Course, Evidence, Moment, Told};
use super::listen::{Asked, Heard, Sample};
use super::{Breach, Rule, Trouble};
use crate::files::rig::Sets;
use crate::plan::{Mains, Plan, Prediction, Reading, Source, Way, When, Window};
use crate::states::DriveState;
use crate::time::{Duration, Instant};

/// Coverage factor of comparisons, as the plan has it: about 95 % (JCGM 100, k = 2).
const COVERAGE: f64 = 2.0;

/// Fewest rows of the truth log that say that no coolant flowed.
const ROWS_MIN: usize = 5;

/// No frame on the way to switching on after a question was answered with no, nor while the watch shows anything that a
/// pre-check refuses; from the first such frame until the gates are on no sample outside of a window without a stop; and
/// nothing told to turn after a watch with the gates on that should not have given leave.
pub(super) fn not_ready(
    evidence: &Evidence<'_>,
    lines: &[Heard],
    samples: &[Sample],
    breaches: &mut Vec<Breach>,
) {
    let mut gates_on = GatesOn::default();
    let mut course = Course::new(evidence.plan);
    let mut enabled = false;
    let (mut sample, mut line) = (0, 0);
    for (index, moment) in evidence.moments.iter().enumerate() {
        if !moment.stops.is_empty() {
            enabled = false;
            course.stopped(moment.at);
            gates_on = GatesOn::default();
        }
        let mut outside = None;
        while let Some(heard) = lines.get(line).filter(|h| h.moment == index) {
            line += 1;
            gates_on.hear(heard);
        }
        while let Some(known) = samples.get(sample).filter(|s| s.moment == index) {
            sample += 1;
            outside = outside.or(outside_of_a_window(evidence.plan, known));
            gates_on.take(evidence.plan, known);
        }
        let enables = moment.told.iter().any(|told| told.enables());
        let found = if enables && !enabled {
            enabled = true;
            let found = before_enabling(evidence, index, &samples[..sample], course.next());
            found.map(|found| format!("the controller was enabled {found}"))
        } else {
            outside
                .filter(|_| enabled && course.test().is_none() && !switches_on(moment))
                .map(|window| format!("the controller stayed on its way to being enabled with {window}"))
        };
        moment.told.iter().for_each(|told| course.told(moment.at, *told));
        let found = found.or(gates_on.told(evidence.plan, moment));
        if let Some(found) = found {
            breaches.push(Breach { rule: Rule::NotReady, at: moment.at, found });
            return;
        }
    }
}

fn switches_on(moment: &Moment) -> bool {
    moment.told.iter().any(|told| told.switches_on())
}

fn outside_of_a_window(plan: &Plan, sample: &Sample) -> Option<String> {
    plan.ready.windows.iter().find_map(|window| outside(plan, sample, window))
}

fn outside(plan: &Plan, sample: &Sample, window: &Window) -> Option<String> {
    let (_, value) = sample.values(plan).find(|(channel, _)| *channel == window.channel)?;
    (!(window.low..=window.high).contains(&value)).then(|| format!("`{}` at {value} (SI)", window.name))
}

/// Why the frame of a moment should not have enabled, in words that go on from *was enabled*.
fn before_enabling(
    evidence: &Evidence<'_>,
    index: usize,
    samples: &[Sample],
    test: Option<usize>,
) -> Option<String> {
    let (plan, moments) = (evidence.plan, &evidence.moments);
    let at = moments[index].at;
    if evidence.storm.troubles.iter().any(|t| matches!(t, Trouble::No(_))) {
        return Some("after a question had been answered with no".into());
    }
    let begin = at - plan.ready.observe;
    let window = samples.iter().filter(|s| s.asked >= begin).find_map(|s| outside_of_a_window(plan, s));
    if let Some(window) = window {
        return Some(format!("with {window}"));
    }
    let link = plan.drive.enable.first()?.link;
    let polled = |m: &&Moment| {
        m.sent.iter().any(|(l, bytes)| *l == link && plan.groups.iter().any(|g| g.exchange.send == *bytes))
    };
    let end = moments[..index].iter().rev().find(polled)?.at;
    let frozen = evidence.around.frozen.filter(|(from, _)| *from <= at).map(|(_, lasting)| lasting);
    let early = evidence.around.latest(at) + frozen.unwrap_or(Duration::ZERO) + (at - end);
    let watch = Watch { evidence, samples, begin, end, earliest: begin - early };
    let cold = test == Some(0);
    let made = |when| when == When::GatesOff || when == When::ColdSoak && cold;
    let checks = plan.ready.checks.iter().filter(|check| made(check.when));
    checks.flat_map(|c| c.ways.iter().map(move |w| (c, w))).find_map(|(check, way)| {
        let found = watch.refuses(way)?;
        Some(format!("although `{}` did not hold: {found}", check.name))
    })
}

/// The watch before a test, as far as the judge knows it.
struct Watch<'w> {
    evidence: &'w Evidence<'w>,
    samples: &'w [Sample],
    /// What was asked for since lies in it...
    begin: Instant,
    /// ...if it was known before.
    end: Instant,
    /// What was known before this does not.
    earliest: Instant,
}

impl Watch<'_> {
    /// What should have refused, if anything.
    fn refuses(&self, way: &Way) -> Option<String> {
        let plan = self.evidence.plan;
        match way {
            Way::Within(window, after, _) => self
                .surely(*after)
                .find_map(|sample| outside(plan, sample, window))
                .or_else(|| self.never_read(window.channel))
                .or_else(|| self.no_coolant(window, *after)),
            Way::Alike([first, second], allowed) => self.surely(Duration::ZERO).find_map(|sample| {
                let of = |wanted| sample.values(plan).find(|(c, _)| *c == wanted).map(|(_, value)| value);
                let apart = (of(*first)? - of(*second)?).abs();
                (!matches!(
                    apart.partial_cmp(allowed),
                    Some(std::cmp::Ordering::Less | std::cmp::Ordering::Equal)
                ))
                .then(|| format!("{apart} apart (SI), {allowed} allowed"))
            }),
            Way::Together(channels, apart) => self.far_apart(channels, *apart),
            Way::Predicted(prediction) => self.elsewhere(prediction),
            Way::Seen(_) | Way::Pulse(_) => None,
        }
    }

    /// Samples that lie in the watch for certain, once so much of it is past.
    fn surely(&self, after: Duration) -> impl Iterator<Item = &Sample> {
        let (begin, end) = (self.begin + after, self.end);
        self.samples.iter().filter(move |s| s.asked >= begin && s.known < end)
    }

    /// Lowest and highest value of a channel among all samples that may lie in the watch; `None` without one that is a number.
    fn ends(&self, channel: usize) -> Option<(f64, f64)> {
        let plan = self.evidence.plan;
        let samples = self.samples.iter().filter(|s| s.known >= self.earliest);
        let values = samples.filter_map(|s| s.values(plan).find(|(c, _)| *c == channel)).map(|(_, v)| v);
        let mut values = values.filter(|v| !v.is_nan()).peekable();
        values.peek()?;
        Some(values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v))))
    }

    fn never_read(&self, channel: usize) -> Option<String> {
        let channel_plan = &self.evidence.plan.channels[channel];
        let number = matches!(channel_plan.source, Source::Wire { reading: Reading::Number, .. });
        let read =
            |s: &Sample| s.known >= self.earliest && s.values(self.evidence.plan).any(|(c, _)| c == channel);
        (number && !self.samples.iter().any(read)).then(|| format!("{} was never read", channel_plan.name))
    }

    /// Where a flow must be seen, and in truth less than half of the least flows all the time.
    fn no_coolant(&self, window: &Window, after: Duration) -> Option<String> {
        if self.evidence.plan.channels[window.channel].unit.kind.name() != "flow" {
            return None;
        }
        let truth = &self.evidence.truth;
        let rows = truth.iter().map(|r| r.truth).filter(|t| t.t >= self.begin + after && t.t < self.end);
        let flows: Vec<f64> = rows.map(|t| t.flow).collect();
        let most = flows.iter().copied().fold(0.0, f64::max);
        let none = flows.len() >= ROWS_MIN && most < 0.5 * window.low;
        none.then(|| format!("in truth {most} m3/s of coolant flowed at the most"))
    }

    /// Two means that must be further apart than allowed, wherever in their ends they lie.
    fn far_apart(&self, channels: &[usize], apart: f64) -> Option<String> {
        let plan = self.evidence.plan;
        for (i, one) in channels.iter().enumerate() {
            for two in &channels[i + 1..] {
                let ((low, high), (low_two, high_two)) = (self.ends(*one)?, self.ends(*two)?);
                let least = (low - high_two).max(low_two - high);
                let allowed = apart + COVERAGE * plan.channels[*one].u.hypot(plan.channels[*two].u);
                if least > allowed {
                    let (one, two) = (&plan.channels[*one].name, &plan.channels[*two].name);
                    return Some(format!("{one} and {two} are {least} K apart, {allowed} K allowed"));
                }
            }
        }
        None
    }

    /// A bus whose mean must lie beyond what the mains let it be: the peak of the mains less the diodes in the way.
    fn elsewhere(&self, prediction: &Prediction) -> Option<String> {
        let plan = self.evidence.plan;
        let (low, high) = self.ends(prediction.bus)?;
        let ((least, most), u_mains) = match prediction.mains {
            Mains::Read(channel) => (self.ends(channel)?, plan.channels[channel].u),
            Mains::Set(least, most) => ((least, most), 0.0),
        };
        let u_bus = plan.channels[prediction.bus].u;
        let (flat, sharp) = prediction.crest;
        let (few, many) = prediction.diodes;
        let floor = flat * least - many - COVERAGE * u_bus.hypot(flat * u_mains);
        let ceiling = sharp * most - few + COVERAGE * u_bus.hypot(sharp * u_mains);
        (high < floor || low > ceiling)
            .then(|| format!("the bus was between {low} V and {high} V, {floor} V to {ceiling} V predicted"))
    }
}

/// The watch with the gates on: it begins with the first sample that shows the drive enabled, asked for after the frame that
/// switched it on, or with the acknowledgement of that frame if it comes later.
#[derive(Debug, Default)]
struct GatesOn {
    sent: Option<Instant>,
    acknowledged: Option<Instant>,
    enabled: Option<Instant>,
    /// What should not have given leave.
    refused: Option<String>,
}

impl GatesOn {
    fn began(&self) -> Option<Instant> {
        Some(self.acknowledged?.max(self.enabled?))
    }

    fn hear(&mut self, heard: &Heard) {
        if let Some((sent, Asked::Other)) = heard.answers
            && self.sent == Some(sent)
            && heard.in_time
        {
            self.acknowledged.get_or_insert(heard.at);
        }
    }

    fn take(&mut self, plan: &Plan, sample: &Sample) {
        let Some(sent) = self.sent else { return };
        if let Some(began) = self.began() {
            let Some(quiet) = plan.ready.quiet else { return };
            if sample.known > began + quiet.settle + quiet.observe {
                return;
            }
            let ways = plan.ready.checks.iter().filter(|c| c.when == When::GatesOn).flat_map(|c| &c.ways);
            let refused = ways.filter_map(|way| match way {
                Way::Within(window, after, _) if sample.asked >= began + *after => {
                    outside(plan, sample, window)
                }
                _ => None,
            });
            let refused = refused.chain(outside_of_a_window(plan, sample)).next();
            self.refused = self.refused.take().or(refused);
        }
        let state =
            sample.values(plan).find(|(channel, _)| *channel == plan.drive.state).map(|(_, word)| word);
        if sample.asked > sent && state.is_some_and(|word| word as u32 & 0x6F == 0x27) {
            self.enabled.get_or_insert(sample.known);
        }
    }

    /// A frame that tells anything to turn without leave, if a moment has one.
    fn told(&mut self, plan: &Plan, moment: &Moment) -> Option<String> {
        let last = plan.drive.enable.last()?;
        // Without a state to be reached or an acknowledgement it is not known when it begins.
        if last.reaches == Some(DriveState::OperationEnabled) && last.expect.is_some() && switches_on(moment)
        {
            self.sent.get_or_insert(moment.at);
        }
        let refused = self.refused.clone()?;
        moment.told.iter().find_map(|told| {
            let Told::Demand(sets, number, decimals) = *told else { return None };
            let may_turn = !matches!(sets, Sets::Pump | Sets::CurrentLimit);
            let demand = plan.demands.iter().find(|d| d.sets == sets && may_turn)?;
            let turns = (number - demand.unit.from_si(demand.rest)).abs() > rounding(decimals);
            turns.then(|| format!("{} was told {number} after a watch with {refused}", demand.name))
        })
    }
}
