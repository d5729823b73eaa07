use super::*;
use crate::units::parse_unit;

fn recording() -> Recording {
    let channel = |name: &str, track| RecordedChannel {
        name: name.into(),
        track,
        unit: parse_unit("m/s2").expect("a unit"),
        full_scale: 50.0,
        u: 0.01,
        u_scale: 0.05,
    };
    Recording {
        name: "casing".into(),
        u_rate: 100e-6,
        piece: Duration::from_millis(500),
        channels: vec![channel("radial", 1), channel("axial", 0)],
    }
}

/// A file by hand, after the published layout of RIFF WAVE: "RIFF", length, "WAVE", "fmt " with 16 bytes (1 is PCM),
/// "data". All numbers little-endian.
fn wav(bits: u16, tracks: u16, rate: u32, samples: &[i32]) -> Vec<u8> {
    let width = usize::from(bits / 8);
    let data: Vec<u8> = samples.iter().flat_map(|s| s.to_le_bytes()[..width].to_vec()).collect();
    let frame = tracks * (bits / 8);
    let mut file = b"RIFF".to_vec();
    file.extend((36 + data.len() as u32).to_le_bytes());
    file.extend(b"WAVEfmt ");
    file.extend(16u32.to_le_bytes());
    file.extend([1u16, tracks].iter().flat_map(|x| x.to_le_bytes()));
    file.extend([rate, rate * u32::from(frame)].iter().flat_map(|x| x.to_le_bytes()));
    file.extend([frame, bits].iter().flat_map(|x| x.to_le_bytes()));
    file.extend(b"data");
    file.extend((data.len() as u32).to_le_bytes());
    file.extend(data);
    file
}

/// 1000 Hz and 0.5 s are 500 samples a piece: 1.2 s make two, and 0.2 s are left out. Full scale is 32768 counts.
#[test]
fn tracks_become_channels_and_pieces_become_bursts() {
    let samples: Vec<i32> = (0..1200).flat_map(|i| [i, -i]).collect();
    let file = wav(16, 2, 1000, &samples);
    let bursts = bursts_of_wav(&recording(), &file, Some(Began { at: -0.25, u: 0.1 })).expect("bursts");
    assert_eq!(bursts.len(), 2);
    let second = &bursts[1];
    assert_eq!((second.t0, second.rate, second.len(), second.laid), (250_000, 1000.0, 500, Laid::Told));
    assert!((second.u_t0 - 1e6 * 0.1f64.hypot(100e-6 * 0.5)).abs() < 1e-6 && second.u_rate == 100.0);
    let [radial, axial] = &second.channels[..] else { panic!("two channels") };
    assert_eq!((radial.name.as_str(), radial.raw[0], axial.raw[0]), ("radial", -500, 500));
    assert!((axial.values()[0] - 500.0 * 50.0 / 32768.0).abs() < 1e-12 && axial.u_scale == 0.05);
    assert!(second.flaw().is_none() && second.gates.is_none());
}

#[test]
fn a_recording_that_nobody_laid_in_time_says_so() {
    let bursts = bursts_of_wav(&recording(), &wav(16, 2, 1000, &[0; 2000]), None).expect("bursts");
    assert!(bursts.iter().all(|b| b.laid == Laid::Unknown && !b.lies_within(0.0, 1e9)));
    assert_eq!(bursts[1].t0, 500_000);
}

/// 24 bits are rounded: 255 counts of 256 up to one; the highest stays at the end of 16 bits, where it counts as clipped.
#[test]
fn finer_samples_are_rounded() {
    let mut samples = vec![0; 1000];
    samples[..10].copy_from_slice(&[255, 0, 127, 0, -255, 0, 8_388_607, 0, -8_388_608, 0]);
    let bursts = bursts_of_wav(&recording(), &wav(24, 2, 1000, &samples), None).expect("bursts");
    let axial = bursts[0].channel("axial").expect("a channel");
    assert_eq!(axial.raw[..5], [1, 0, -1, 32767, -32768]);
    assert_eq!(axial.clipped(), 2);
}

#[test]
fn what_is_no_such_file_is_refused_in_words() {
    let refused = |file: &[u8], part: &str| {
        let why = bursts_of_wav(&recording(), file, None).expect_err(part);
        assert!(why.contains(part), "`{why}` does not say `{part}`");
    };
    refused(b"something else", "is no WAV file");
    refused(b"", "is no WAV file");
    refused(&wav(16, 1, 1000, &[0; 2000]), "has 1 tracks, expected track 2 for `radial`");
    refused(&wav(16, 2, 1000, &[0; 800]), "lasts 0.400 s, expected at least one piece of 500 ms");
    refused(&wav(8, 2, 1000, &[0; 2000]), "integer samples of 8 bits, expected integers of 16 or 24");
    let mut cut = wav(16, 2, 1000, &[0; 4000]);
    cut.truncate(cut.len() - 1000);
    refused(&cut, "is cut: its header announces 2000 samples a track, 1750 came");
}
