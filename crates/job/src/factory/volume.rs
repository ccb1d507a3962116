//! How the shape changes from one volume step to the next.

use dsp::curve::interpolate_log;
use dsp::factory::LineResponse;
use serde::Serialize;

use super::FactoryOrder;
use super::captures::{self, CaptureRef};
use crate::error::JobError;
use crate::judged::Judged;

/// Third-octave frequencies are enough to describe a contour; 1 kHz is where it is zero.
const ANCHOR_HZ: f64 = 1_000.0;

/// The shape at one volume step against the loudest step.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LoudnessAt {
    /// The step's label.
    pub volume: String,
    /// `[frequency_hz, db]`, 0 dB at 1 kHz.
    pub response: Vec<[f64; 2]>,
    /// Level at 1 kHz under the loudest step.
    pub below_loudest_db: f64,
}

/// Compares the volume steps of one output, each against the loudest.
pub(super) fn compare(order: &FactoryOrder, judged: &mut Judged<()>) -> Result<Vec<LoudnessAt>, JobError> {
    let mut steps: Vec<(String, LineResponse)> = Vec::new();
    for volume in &order.volumes {
        let alone = FactoryOrder {
            captures: vec![CaptureRef { ..volume.clone() }],
            volumes: Vec::new(),
            steps: Vec::new(),
            reference_channel: None,
            ..order.clone()
        };
        let read = captures::read(&alone, judged, &mut |_| {})?;
        if let Some(output) = read.channels.into_iter().next() {
            steps.push((volume.name.clone(), output.response));
        }
    }
    let anchor = |response: &LineResponse| {
        interpolate_log(&response.frequency_hz, &response.level_db(), ANCHOR_HZ).unwrap_or(f64::NEG_INFINITY)
    };
    let Some(loudest) = steps.iter().max_by(|a, b| anchor(&a.1).total_cmp(&anchor(&b.1))).cloned() else {
        return Ok(Vec::new());
    };
    let grid: Vec<f64> = (-17..=13).map(|n| ANCHOR_HZ * 10f64.powf(f64::from(n) / 10.0)).collect();
    let shapes = steps.iter().map(|(label, response)| {
        let below = anchor(response) - anchor(&loudest.1);
        let shape = grid.iter().filter_map(|&f| {
            let at = |r: &LineResponse| interpolate_log(&r.frequency_hz, &r.level_db(), f);
            Some([f, at(response)? - at(&loudest.1)? - below])
        });
        LoudnessAt { volume: label.clone(), response: shape.collect(), below_loudest_db: below }
    });
    Ok(shapes.collect())
}
