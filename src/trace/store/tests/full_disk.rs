use super::*;

const VALUES: [Option<f64>; 3] = [Some(1.0), None, Some(2.0)];

#[test]
fn a_full_disk_is_told_once_and_leaves_what_was_written_readable() {
    let disk = Disk::default();
    let mut writer = disk.writer(&layout());
    disk.state().room = Some(30_000);
    let mut errors = Vec::new();
    for i in 0..1000u64 {
        errors.extend(writer.record(i, &row(0, i as i64 * 1000, &VALUES)).err());
    }
    assert_eq!(errors.len(), 1);
    assert_eq!(errors[0].kind(), io::ErrorKind::StorageFull);
    assert!(errors[0].to_string().contains("poll-drive.arrows"), "{}", errors[0]);
    let dropped = writer.dropped();
    let trace = disk.read();
    assert_eq!(trace.records.len() as u64 + dropped, 1000);
    assert!(trace.records.len() >= 200, "batches that fit are there: {}", trace.records.len());
    let error = writer.finish().expect_err("records were lost");
    assert!(error.to_string().contains(&format!("{dropped} records")), "{error}");
}

#[test]
fn recording_goes_on_when_there_is_room_again() {
    let disk = Disk::default();
    let mut writer = disk.writer(&layout());
    let mut errors = 0;
    for i in 0..500u64 {
        disk.state().room = if (100..200).contains(&i) { Some(100) } else { None };
        errors += usize::from(writer.record(i, &row(0, i as i64, &VALUES)).is_err());
    }
    assert_eq!((errors, writer.dropped()), (1, 100));
    writer.finish().expect_err("records were lost");
    let trace = disk.read();
    assert_eq!(trace.cut, [], "the streams themselves are whole");
    assert_eq!(trace.gaps(), std::slice::from_ref(&(100..200)));
    assert_eq!(trace.records.len(), 400);
}

#[test]
fn nothing_is_put_behind_a_torn_batch_that_cannot_be_taken_back() {
    let disk = Disk::default();
    let mut writer = disk.writer(&layout());
    let mut errors = 0;
    for i in 0..500u64 {
        {
            let mut state = disk.state();
            state.broken = true;
            state.room = if (100..200).contains(&i) { Some(100) } else { None };
        }
        errors += usize::from(writer.record(i, &row(0, i as i64, &VALUES)).is_err());
    }
    assert_eq!((errors, writer.dropped()), (1, 400));
    writer.finish().expect_err("records were lost");
    let trace = disk.read();
    assert_eq!(trace.records.len(), 100);
    assert_eq!(trace.cut.len(), 1);
    assert_eq!(trace.cut[0].bytes, 100);
}

#[test]
fn a_full_disk_at_the_end_is_told() {
    let disk = Disk::default();
    let mut writer = disk.writer(&layout());
    writer.record(0, &row(0, 0, &VALUES)).expect("it waits");
    disk.state().room = Some(0);
    let error = writer.finish().expect_err("there is no room");
    assert_eq!(error.kind(), io::ErrorKind::StorageFull);
}
