//! How many rows a second the recorder takes, and how many bytes a row takes on the disk, for polls at
//! 1 kHz with 8 channels; how fast they are read back. Run with `cargo bench --bench trace_write`.

use spinproof::record::{GroupLayout, Layout, LoggedInput, QuantityLayout, Record, Row, RowStatus};
use spinproof::time::Instant;
use spinproof::trace::{Writer, read};
use std::path::Path;

const CHANNELS: usize = 8;
const SECONDS: u64 = 600;
const ROWS: u64 = SECONDS * 1000;

fn main() {
    let names = ["speed", "torque", "phase", "bus", "current", "winding", "inverter", "coolant"];
    let field =
        |name: &str| Some(QuantityLayout { name: name.into(), unit: "V".into(), kind: "voltage".into() });
    let layout = Layout {
        groups: vec![GroupLayout {
            name: "fast".into(),
            link: "board".into(),
            fields: names.iter().map(|name| field(name)).collect(),
        }],
        demands: Vec::new(),
        links: vec!["board".into()],
        bursts: Vec::new(),
        run: None,
    };
    assert_eq!(names.len(), CHANNELS);
    println!("{ROWS} rows of {CHANNELS} channels, as in {SECONDS} s at 1 kHz");
    for inputs in [false, true] {
        // Beside the target folder, so that a real disk is measured and not a temporary one in memory.
        let dir = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("there is room");
        let begin = std::time::Instant::now();
        write(dir.path(), &layout, inputs);
        let written = begin.elapsed().as_secs_f64();
        let begin = std::time::Instant::now();
        let trace = read(dir.path()).expect("it was just written");
        let back = begin.elapsed().as_secs_f64();
        assert!(trace.cut.is_empty() && trace.records.len() as u64 == ROWS, "every row comes back");
        let size = |name: &str| {
            let path = dir.path().join("trace").join(name);
            path.metadata().expect("it was just written").len() as f64 / ROWS as f64
        };
        println!("{}:", if inputs { "each row with the input it came from" } else { "rows alone" });
        println!(
            "  written {:.0} rows/s, {:.0} times faster than they come",
            ROWS as f64 / written,
            SECONDS as f64 / written
        );
        println!("  read    {:.0} rows/s", ROWS as f64 / back);
        println!(
            "  {:.1} bytes a row, {:.1} bytes an input",
            size("poll-fast.arrows"),
            size("inputs.arrows")
        );
    }
}

fn write(dir: &Path, layout: &Layout, inputs: bool) {
    let mut writer = Writer::create(dir, layout).expect("there is room");
    let mut seq = 0;
    for i in 0..ROWS {
        let t = i as i64 * 1000;
        let at = Instant::from_micros(t + 400);
        if inputs {
            let payload = format!("{i},1500.2,33.1,154.9,12.02,61.3,44.0,39.9\n").into_bytes();
            let input = LoggedInput { seq, at, kind: 0, link: 0, payload, outputs: i };
            writer.input(&input).expect("there is room");
            seq += 1;
        }
        let row = Row {
            group: 0,
            t_request: Instant::from_micros(t),
            t_reply: at,
            t_sample: Instant::from_micros(t + 200),
            u_sample: 115.5,
            values: (0..CHANNELS).map(|c| Some(i as f64 + c as f64)).collect(),
            status: RowStatus::Ok,
        };
        writer.record(seq, &Record::Row(row)).expect("there is room");
        seq += 1;
    }
    writer.finish().expect("there is room");
}
