//! Hand-driven segments: a person works the pedal, and the demand is only what the fully pressed pedal may ask for.

use super::context::{Context, length};
use super::profiles::{Layer, ROUNDING};
use super::scope::Scope;
use crate::diag::Diag;
use crate::files::cycle::{Point, read_cycle};
use crate::files::read::{At, Number, kind_of};
use crate::files::rig::{Role, Sets};
use crate::files::suite::{self, Segment};
use crate::plan::ByHand;

/// A test is driven by hand from its begin to its end, or not at all: two sorts of demand do not mix.
pub(super) fn check_sort(ctx: &mut Context<'_>, scope: &Scope<'_>, test: &suite::Test, sets: Sets) {
    let segments = suite::each_segment(&test.profile);
    let hands = || segments.iter().filter_map(|s| if let Segment::ByHand(h) = s { Some(h) } else { None });
    let Some(first) = hands().next() else {
        if let (Sets::SpeedAtFullPedal, Some(demand)) = (sets, &test.demand) {
            let message =
                format!("{} hands the drive over, and no segment is driven by hand", ctx.said(demand.at));
            let help = "write `{ by_hand = \"20 s\", up_to = \"600 rpm\", ask = \"...\" }`";
            ctx.refuse(Diag::at(demand.at, message).help(help));
        }
        return;
    };
    let at = first.by_hand.at;
    if sets != Sets::SpeedAtFullPedal {
        let named = scope.demands.iter().find(|d| d.file.sets.value == Sets::SpeedAtFullPedal);
        let help = match named {
            Some(named) => format!("write `demand = \"{}\"` in this test", named.name.value),
            None => {
                "the rig needs a demand with `sets = \"speed at full pedal\"`, and the test names it".into()
            }
        };
        let message = format!("the {} by hand need a demand that hands the drive over", ctx.said(at));
        ctx.refuse(Diag::at(at, message).help(help));
    } else if segments.iter().any(|s| !matches!(s, Segment::ByHand(_) | Segment::Repeat(_))) {
        let message = format!("the {} by hand stand among segments that the program drives", ctx.said(at));
        ctx.refuse(Diag::at(at, message).help("give what is driven by hand a test of its own"));
    }
    if scope.with_role(Role::Pedal).is_none() {
        let message = format!("the {} are driven by hand, and no channel measures the pedal", ctx.said(at));
        let help = "read the pedal in a channel with `measures = \"pedal\"`: it must be seen released before";
        ctx.refuse(Diag::at(at, message).help(help));
    }
}

impl Layer<'_> {
    /// Lays a hand-driven segment; `None` if it is not right.
    pub(super) fn by_hand(
        &mut self,
        ctx: &mut Context<'_>,
        scope: &Scope<'_>,
        file: &suite::ByHand,
        name: String,
    ) -> Option<()> {
        let rehearsed = match &file.rehearsed {
            Some(table) => self.foot(ctx, table),
            None => Some(Vec::new()),
        };
        let why = format!("for `{}`", self.demand.name.value);
        let full = ctx.quantity(&file.up_to, self.demand.kind, &why, self.demand.name.at)?;
        if full <= 0.0 {
            let message = format!("{} leaves the pedal nothing to ask for", ctx.said(file.up_to.at));
            ctx.refuse(Diag::at(file.up_to.at, message).help("a speed above zero"));
            return None;
        }
        self.check_target(ctx, scope, &file.up_to);
        let segment = self.course.len();
        self.course.by_hand(name, full, length(&file.by_hand));
        self.hands.push(ByHand { segment, ask: file.ask.clone(), rehearsed: rehearsed? });
        Some(())
    }

    /// How a rehearsed person works the pedal.
    fn foot(&self, ctx: &mut Context<'_>, written: &At<String>) -> Option<Vec<(f64, f64)>> {
        let file = match ctx.sources.beside(ctx.suite.at.file, written) {
            Ok(file) => file,
            Err(why) => {
                let message = format!("the table {} cannot be read: {why}", ctx.said(written.at));
                ctx.refuse(Diag::at(written.at, message).help("the path counts from the suite file"));
                return None;
            }
        };
        let (table, diags) = read_cycle(file, &ctx.sources.get(file).text);
        diags.into_iter().for_each(|d| {
            if !ctx.diags.contains(&d) {
                ctx.refuse(d);
            }
        });
        let table = table?;
        if table.unit.kind != kind_of::<Number>() {
            let message = format!(
                "the column {} is a {}, expected the pedal's travel as a share",
                ctx.said(table.header),
                table.unit.kind.name()
            );
            ctx.refuse(Diag::at(table.header, message).help("name it `pedal_%`"));
            return None;
        }
        let wrong = |p: &&Point| !(-ROUNDING..=1.0 + ROUNDING).contains(&p.value);
        if let Some(point) = table.points.iter().find(wrong) {
            let message =
                format!("{} lies outside of the pedal's travel, 0 to 100 %", ctx.said(point.value_at));
            ctx.refuse(Diag::at(point.value_at, message));
            return None;
        }
        Some(table.points.iter().map(|p| (p.t, p.value)).collect())
    }
}
