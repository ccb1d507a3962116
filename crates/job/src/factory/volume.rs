//! How the shape changes from one volume step to the next.

use dsp::curve::Curve;
use dsp::factory::LineResponse;
use dsp::stimulus::Recipe;
use dsp::verdict::Verdict;
use garage::finding::VolumeShape;

use super::captures::{self, CaptureRef};
use crate::error::JobError;
use crate::judged::Judged;

/// Third-octave frequencies are enough to describe a contour; 1 kHz is where it is zero.
const ANCHOR_HZ: f64 = 1_000.0;

/// Compares the volume steps of one output, each against the loudest.
pub(crate) fn compare(
    recipe: &Recipe,
    volumes: &[CaptureRef],
    judged: &mut Judged<()>,
) -> Result<Vec<VolumeShape>, JobError> {
    let mut steps: Vec<(String, Curve)> = Vec::new();
    for volume in volumes {
        let read = captures::read(recipe, std::slice::from_ref(volume), None, judged, &mut |_| {})?;
        if let Some(output) = read.channels.into_iter().next() {
            let LineResponse { frequency_hz, .. } = &output.response;
            steps.push((
                volume.name.clone(),
                Curve::of_levels(frequency_hz.clone(), output.response.level_db()),
            ));
        }
    }
    Ok(shapes(&steps, judged))
}

/// Each step's shape against the loudest, with the advice where to leave the volume.
pub(crate) fn shapes(steps: &[(String, Curve)], judged: &mut Judged<()>) -> Vec<VolumeShape> {
    let anchor_hz = anchor_hz(steps.iter().map(|(_, curve)| curve));
    let anchor = |curve: &Curve| curve.level_at_db(anchor_hz).unwrap_or(f64::NEG_INFINITY);
    let Some((_, loudest)) = steps.iter().max_by(|a, b| anchor(&a.1).total_cmp(&anchor(&b.1))) else {
        return Vec::new();
    };
    let grid: Vec<f64> = (-17..=13).map(|n| ANCHOR_HZ * 10f64.powf(f64::from(n) / 10.0)).collect();
    let shapes = steps.iter().map(|(label, curve)| {
        let below = anchor(curve) - anchor(loudest);
        let shape =
            grid.iter().filter_map(|&f| Some([f, curve.level_at_db(f)? - loudest.level_at_db(f)? - below]));
        VolumeShape { volume: label.clone(), response: shape.collect(), below_loudest_db: below }
    });
    let shapes: Vec<VolumeShape> = shapes.collect();
    if let Some(words) = advice(&shapes) {
        judged.note(Verdict::Good, words);
    }
    shapes
}

/// 1 kHz where every step is heard there, otherwise the middle of what all of them share.
fn anchor_hz<'a>(curves: impl Iterator<Item = &'a Curve>) -> f64 {
    let ends = curves.filter_map(|r| Some((*r.frequency_hz.first()?, *r.frequency_hz.last()?)));
    let (low_hz, high_hz) =
        ends.fold((1.0f64, f64::INFINITY), |(low, high), (a, b)| (low.max(a), high.min(b)));
    if (low_hz..=high_hz).contains(&ANCHOR_HZ) { ANCHOR_HZ } else { (low_hz * high_hz).sqrt() }
}

/// Shapes this close are the same for tuning.
const SAME_SHAPE_DB: f64 = 0.5;

/// Where to set the volume and leave it: the widest run of neighbouring steps whose shapes stay together.
fn advice(shapes: &[VolumeShape]) -> Option<String> {
    let mut order: Vec<&VolumeShape> = shapes.iter().collect();
    order.sort_by(|a, b| a.below_loudest_db.total_cmp(&b.below_loudest_db));
    let runs = (0..order.len()).flat_map(|from| (from + 1..=order.len()).map(move |to| (from, to)));
    let together = |(from, to): &(usize, usize)| spread_db(&order[*from..*to]) <= SAME_SHAPE_DB;
    // Of runs of one length the louder one: more room above the noise.
    let (from, to) = runs.filter(together).max_by_key(|(from, to)| (to - from, *to))?;
    let (softest, loudest) = (order.get(from)?, order.get(to - 1)?);
    Some(match (shapes.len(), to - from) {
        (0 | 1, _) => return None,
        (_, 1) => "every volume step recorded bends the shape: tune at the step that is listened to most, and say so to the customer".into(),
        _ => format!(
            "from volume {} to {} the shape stays within {SAME_SHAPE_DB} dB: set the volume to {} and leave it there while you tune",
            softest.volume, loudest.volume, loudest.volume
        ),
    })
}

/// The most that shapes differ at any frequency that all of them have.
fn spread_db(shapes: &[&VolumeShape]) -> f64 {
    let Some((first, others)) = shapes.split_first() else { return 0.0 };
    let at = |[hz, own]: &[f64; 2]| {
        let rest = others.iter().filter_map(|o| o.response.iter().find(|[f, _]| f == hz).map(|[_, db]| *db));
        let (low, high) = rest.fold((*own, *own), |(low, high), db| (low.min(db), high.max(db)));
        high - low
    };
    first.response.iter().map(at).fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn step(volume: &str, below_loudest_db: f64, bass_db: f64) -> VolumeShape {
        VolumeShape {
            volume: volume.into(),
            response: vec![[50.0, bass_db], [1_000.0, 0.0]],
            below_loudest_db,
        }
    }

    #[test]
    fn the_volume_is_left_where_the_shape_holds() {
        let contour =
            [step("30", 0.0, 0.0), step("25", -8.0, 0.3), step("20", -16.0, 3.0), step("15", -24.0, 6.1)];
        let words = advice(&contour).unwrap();
        assert!(words.contains("from volume 25 to 30") && words.contains("to 30 and leave"), "{words}");
        let bending = [step("30", 0.0, 0.0), step("25", -8.0, 2.0)];
        assert!(advice(&bending).unwrap().contains("every volume step"));
        assert_eq!(advice(&contour[..1]), None);
        assert_eq!(advice(&[]), None);
    }
}
