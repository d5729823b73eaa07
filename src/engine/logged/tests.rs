use super::*;
use crate::outcome::Cause;
use crate::record::{Chunk, Event, Grade, RowStatus, Sent, Stage, What};
use std::collections::VecDeque;

fn at(micros: i64) -> Instant {
    Instant::from_micros(micros)
}

/// At least one of every input, and pairs that differ in one thing alone.
fn inputs() -> Vec<Input> {
    let s = |text: &str| text.to_string();
    let answer = |id: &str, yes, by: &str, person| Input::Answer { id: s(id), yes, by: s(by), person };
    let typed =
        |id: &str, text: &str, by: &str, person| Input::Typed { id: s(id), text: s(text), by: s(by), person };
    vec![
        Input::Bytes { link: 0, bytes: Vec::new() },
        Input::Bytes { link: 0, bytes: vec![0] },
        Input::Bytes { link: 1, bytes: vec![0] },
        Input::LinkLost { link: 0, why: s("") },
        Input::LinkLost { link: 1, why: s("täxt\n") },
        Input::Deadline,
        Input::Stop(StopReason::Operator(s("x"))),
        Input::Stop(StopReason::Trouble(s("x"))),
        Input::Stop(StopReason::Refused(s("x"))),
        answer("a", false, "b", false),
        answer("a", true, "b", false),
        answer("a", false, "b", true),
        answer("a\nb", false, "c", true),
        answer("a", false, "b\nc", true),
        typed("a", "b", "c", false),
        typed("a", "b", "c", true),
        typed("a", "b\nc", "d", true),
        typed("a", "c", "d\nb", true),
        typed("a\nd", "b\nc", "", true),
        Input::Key { key: b'm' },
        Input::Key { key: 0 },
        Input::Listening { by: s("x"), person: false },
        Input::Listening { by: s("x"), person: true },
    ]
}

/// At least one of every output and of every sort of record, and pairs that differ in one thing alone.
fn outputs() -> Vec<Output> {
    let s = |text: &str| text.to_string();
    let row = |values: Vec<Option<f64>>, status| {
        let times = (at(1), at(2), at(3));
        let (t_request, t_reply, t_sample) = times;
        Output::Record(Record::Row(Row {
            group: 4,
            t_request,
            t_reply,
            t_sample,
            u_sample: 5.0,
            values,
            status,
        }))
    };
    let chunk = |counts: &[i16]| Chunk {
        at: at(1),
        burst: 2,
        number: 3,
        channel: 4,
        offset: 5,
        counts: counts.to_vec(),
    };
    let event = |what| Output::Record(Record::Event(Event { at: at(7), what }));
    let sent = |demand, value| Output::Record(Record::Sent(Sent { at: at(1), demand, value }));
    let timers = [
        Timer::Poll(0),
        Timer::Poll(1),
        Timer::Reply(0),
        Timer::Heartbeat(0),
        Timer::Step,
        Timer::Watch,
        Timer::Profile,
        Timer::Burst,
        Timer::Stale,
        Timer::StopFrame,
        Timer::Stage,
    ];
    let mut outputs: Vec<Output> = timers.map(|timer| Output::WakeAt(at(9), timer)).into();
    outputs.extend([
        Output::WakeAt(at(10), Timer::Stage),
        Output::Send { link: 0, bytes: Vec::new() },
        Output::Send { link: 0, bytes: vec![0; 8] },
        Output::Send { link: 1, bytes: vec![0; 8] },
        row(Vec::new(), RowStatus::Ok),
        row(Vec::new(), RowStatus::Missed),
        row(vec![None], RowStatus::Ok),
        row(vec![Some(0.0)], RowStatus::Ok),
        row(vec![Some(-0.0)], RowStatus::Ok),
        row(vec![Some(f64::NAN)], RowStatus::Ok),
        sent(0, 1.0),
        sent(1, 1.0),
        sent(0, 2.0),
        Output::Record(Record::Chunk(chunk(&[]))),
        Output::Record(Record::Chunk(chunk(&[0]))),
        Output::Record(Record::Chunk(chunk(&[0, -1]))),
        Output::Ask { id: s("a"), ask: s("b") },
        Output::Ask { id: s("a\nb"), ask: s("") },
        Output::Ask { id: s("a"), ask: s("\nb") },
        Output::AskValue { id: s("a"), ask: s("b"), unit: s("c") },
        Output::AskValue { id: s("a"), ask: s("b\nc"), unit: s("") },
        Output::Listen { on: false },
        Output::Listen { on: true },
    ]);
    outputs.extend(causes().map(|cause| Output::Finished { cause, why: s("x") }));
    outputs.extend(events().into_iter().map(event));
    outputs
}

fn causes() -> [Cause; 8] {
    use Cause::*;
    [Passed, CriterionFailed, FilesInvalid, NotMade, Refused, Tripped, Stopped, NotConfirmed]
}

fn events() -> Vec<What> {
    let s = || "täxt".to_string();
    vec![
        What::Identity { link: s(), fields: vec![("maker".into(), s())] },
        What::Setting { link: s(), name: s(), value: s() },
        What::SettingsHash { sha256: s() },
        What::PreCheck { name: s(), holds: false, grade: Grade::Inferred, found: s(), test: 3 },
        What::PreCheck { name: s(), holds: true, grade: Grade::Absent, found: s(), test: 3 },
        What::SwitchedOff { test: 0, found: s() },
        What::OperatorStep { test: 0, id: s(), ask: s() },
        What::Asked { id: s() },
        What::Answered { id: s(), yes: true, by: s() },
        What::State { state: s() },
        What::TestBegan { test: 1 },
        What::SegmentBegan { test: 0, segment: 1 },
        What::ProfileEnded { test: 0 },
        What::TorqueOff { test: 0, found: s() },
        What::Marked { test: 7 },
        What::Trip { trip: s(), found: s(), sampled: 8 },
        What::StopBegan { reason: s() },
        What::StopSent { link: s() },
        What::Stage { stage: Stage::NotDriven, confirmed: true, found: s() },
        What::Stage { stage: Stage::AtRest, confirmed: true, found: s() },
        What::Stage { stage: Stage::DeEnergised, confirmed: true, found: s() },
        What::BurstTriggered { burst: 1, number: 2, t: -3, u: 0.5 },
        What::BurstLost { burst: 0, number: 4, why: s() },
        What::Unsolicited { link: s(), text: s() },
        What::Late { link: s(), text: s() },
        What::Garbage { link: s(), text: s() },
        What::LinkLost { link: s(), why: s() },
        What::TestEnded { test: 0, complete: false },
        What::Finished { cause: Cause::NotConfirmed, why: s() },
        What::Note { text: s() },
    ]
}

/// What a source file calls an output does not come into it: each begins with a number of its own, and no two are alike.
#[test]
fn all_outputs_have_distinct_encodings() {
    let encoded = |output: &Output| {
        let mut bytes = Vec::new();
        append(&mut bytes, output);
        bytes
    };
    let all: Vec<(Output, Vec<u8>)> = outputs().into_iter().map(|o| (o.clone(), encoded(&o))).collect();
    for (i, (one, bytes)) in all.iter().enumerate() {
        for (other, also) in &all[i + 1..] {
            assert!(!also.starts_with(bytes) && !bytes.starts_with(also), "{one:?} and {other:?}");
        }
    }
    let kind = |output: &Output| match output {
        Output::Send { .. } => 0,
        Output::Record(Record::Row(_)) => 1,
        Output::Record(Record::Sent(_)) => 2,
        Output::Record(Record::Event(_)) => 3,
        Output::WakeAt(..) => 4,
        Output::Ask { .. } => 5,
        Output::Finished { .. } => 6,
        Output::Record(Record::Chunk(_)) => 7,
        Output::Listen { .. } => 8,
        Output::AskValue { .. } => 9,
    };
    let tags: std::collections::BTreeSet<u8> = all.iter().map(|(_, bytes)| bytes[0]).collect();
    assert_eq!(Vec::from_iter(tags), Vec::from_iter(0..10), "one tag for each sort");
    assert!(all.iter().all(|(output, bytes)| bytes[0] == kind(output)));
}

#[test]
fn all_inputs_have_distinct_encodings_and_come_back() {
    let all = inputs();
    for (i, one) in all.iter().enumerate() {
        let (kind, link, payload) = encode(one);
        assert!(all[i + 1..].iter().all(|other| encode(other) != encode(one)), "{one:?}");
        let logged = LoggedInput { seq: 0, at: at(0), kind, link, payload, outputs: 0 };
        assert_eq!(decode(&logged).as_ref(), Some(one));
    }
}

/// Gives prepared outputs, one for each input.
struct Player(VecDeque<Output>, Option<Output>);

impl Machine for Player {
    fn handle(&mut self, _: Instant, _: Input) {
        self.1 = self.0.pop_front();
    }
    fn poll(&mut self) -> Option<Output> {
        self.1.take()
    }
}

/// The digests of a fixed run. A change here is a change of every log there is: a replay of an older record says that its outputs
/// differ. What renames a field or a variant in the source keeps its name in the trace with `#[serde(rename)]`.
#[test]
fn the_digests_of_a_fixed_run_are_pinned() {
    let mut engine = Logged::of(Player(outputs().into(), None));
    let mut all = Sha256::new();
    let inputs = inputs();
    for (index, _) in outputs().iter().enumerate() {
        let step = engine.handle(at(index as i64), inputs[index % inputs.len()].clone());
        let LoggedInput { seq, at, kind, link, payload, outputs } = step.input;
        for part in [seq, at.micros() as u64, u64::from(kind), u64::from(link), outputs] {
            all.update(part.to_be_bytes());
        }
        all.update(&payload);
    }
    let digest: String = all.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
    insta::assert_snapshot!(digest, @"644f8b9b2ef23e3b039fb8099aff936e971857d19aaac778ac39587f59bf8d75");
}
