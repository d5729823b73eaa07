//! Recordings made beside a run: what the rig says of them, and their WAV files as bursts.

use crate::columns::{Burst, Laid, Waveform};
use crate::time::Duration;
use crate::units::Unit;
use std::io::Cursor;

/// A recording that a rig can have.
#[derive(Debug, Clone)]
pub struct Recording {
    /// Name.
    pub name: String,
    /// Relative standard uncertainty of its clock's rate.
    pub u_rate: f64,
    /// It is cut into pieces so long.
    pub piece: Duration,
    /// Its channels.
    pub channels: Vec<RecordedChannel>,
}

/// A channel of a recording.
#[derive(Debug, Clone)]
pub struct RecordedChannel {
    /// Name.
    pub name: String,
    /// Index of the track in the file.
    pub track: usize,
    /// Unit for people, and the kind.
    pub unit: Unit,
    /// What full scale of the file stands for, SI.
    pub full_scale: f64,
    /// Standard uncertainty of one value that is common to all (type B), SI.
    pub u: f64,
    /// Relative standard uncertainty of the scale.
    pub u_scale: f64,
}

/// When a recording began in the run's time, as a person said.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Began {
    /// Seconds since the run began; negative if before.
    pub at: f64,
    /// Standard uncertainty in seconds.
    pub u: f64,
}

/// Counts of one side of full scale at 16 bits: what a recording is kept as here.
pub(super) const FULL: f64 = 32768.0;

/// Cuts a WAV file (integer samples of 16 or 24 bits) into bursts. Finer samples are rounded to 16 bits. `began` lays
/// them in the run's time; without it that stays unknown. What is left at the end, shorter than a piece, is left out.
///
/// # Errors
/// In words with a mend: the file is no such WAV, is cut, has fewer tracks than the rig says, or holds no whole piece.
pub fn bursts_of_wav(recording: &Recording, wav: &[u8], began: Option<Began>) -> Result<Vec<Burst>, String> {
    let name = &recording.name;
    let reader = hound::WavReader::new(Cursor::new(wav))
        .map_err(|e| format!("recording `{name}` is no WAV file that can be read: {e}"))?;
    let spec = reader.spec();
    let shift = match (spec.sample_format, spec.bits_per_sample) {
        (hound::SampleFormat::Int, 16) => 0,
        (hound::SampleFormat::Int, 24) => 8,
        (format, bits) => {
            let format = if format == hound::SampleFormat::Float { "floating" } else { "integer" };
            return Err(format!(
                "recording `{name}` has {format} samples of {bits} bits, expected integers of 16 or 24: save it as such"
            ));
        }
    };
    let tracks = usize::from(spec.channels);
    if let Some(channel) = recording.channels.iter().find(|c| c.track >= tracks) {
        return Err(format!(
            "recording `{name}` has {tracks} tracks, expected track {} for `{}`: give the file with all tracks",
            channel.track + 1,
            channel.name
        ));
    }
    let announced = reader.len() as usize / tracks.max(1);
    let mut raw: Vec<Vec<i16>> = vec![Vec::with_capacity(announced); recording.channels.len()];
    for (i, sample) in reader.into_samples::<i32>().enumerate() {
        let sample = sample.map_err(|_| {
            format!(
                "recording `{name}` is cut: its header announces {announced} samples a track, {} came: copy it again",
                i / tracks
            )
        })?;
        for (channel, raw) in recording.channels.iter().zip(&mut raw) {
            if channel.track == i % tracks {
                raw.push(to_16(sample, shift));
            }
        }
    }
    let rate = f64::from(spec.sample_rate);
    let piece = (recording.piece.secs_f64() * rate).round() as usize;
    if piece == 0 || announced < piece {
        return Err(format!(
            "recording `{name}` lasts {:.3} s, expected at least one piece of {}: record for longer",
            announced as f64 / rate,
            recording.piece
        ));
    }
    Ok((0..announced / piece).map(|k| burst(recording, &raw, k * piece, piece, rate, began)).collect())
}

/// A sample rounded to 16 bits; at the upper end it stays there.
fn to_16(sample: i32, shift: u32) -> i16 {
    let half = if shift == 0 { 0 } else { 1 << (shift - 1) };
    ((sample + half) >> shift).clamp(i32::from(i16::MIN), i32::from(i16::MAX)) as i16
}

fn burst(
    recording: &Recording,
    raw: &[Vec<i16>],
    first: usize,
    len: usize,
    rate: f64,
    began: Option<Began>,
) -> Burst {
    let since = first as f64 / rate;
    let (t0, u_t0, laid) = match began {
        // The clocks drift apart while it goes on.
        Some(began) => (began.at + since, began.u.hypot(recording.u_rate * since), Laid::Told),
        None => (since, 0.0, Laid::Unknown),
    };
    let waveform = |(channel, raw): (&RecordedChannel, &Vec<i16>)| Waveform {
        name: channel.name.clone(),
        unit: channel.unit.clone(),
        scale: channel.full_scale / FULL,
        offset: 0.0,
        u_offset: channel.u,
        u_scale: channel.u_scale,
        ends: (i16::MIN, i16::MAX),
        raw: raw[first..first + len].to_vec(),
    };
    Burst {
        name: recording.name.clone(),
        t0: (1e6 * t0).round() as i64,
        laid,
        u_t0: 1e6 * u_t0,
        rate,
        u_rate: 1e6 * recording.u_rate,
        gates: None,
        channels: recording.channels.iter().zip(raw).map(waveform).collect(),
    }
}

#[cfg(test)]
mod tests;
