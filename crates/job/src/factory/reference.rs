//! The time reference: is it the same output in every recording, or were inputs swapped?

use std::collections::BTreeMap;
use std::path::Path;

use dsp::spectrum::Plans;
use dsp::verdict::Verdict;

use super::captures::CaptureRef;
use super::recording::{Recording, channel_of};
use super::spectrum::Spectrum;
use crate::error::JobError;
use crate::judged::Judged;

/// References that differ in shape by more than this are not the same output.
const SAME_OUTPUT_DB: f64 = 2.0;

/// Checks that the reference input carries the same output in every file, and tells inputs that were swapped.
pub(super) fn same_reference(
    captures: &[CaptureRef],
    plans: &Plans,
    recordings: &BTreeMap<&Path, Recording>,
    references: &[(&Path, Spectrum)],
    rate: u32,
    judged: &mut Judged<()>,
) -> Result<(), JobError> {
    let alike = |a: &Spectrum, b: &Spectrum| a.unlike_db(b).is_some_and(|db| db < SAME_OUTPUT_DB);
    // The reference that most files agree on is the true one; those with the fewest friends are looked at first.
    let friends = |own: &Spectrum| references.iter().filter(|(_, other)| alike(own, other)).count();
    let mut by_friends: Vec<&(&Path, Spectrum)> = references.iter().collect();
    by_friends.sort_by_cached_key(|(_, own)| friends(own));
    let Some((_, common)) = by_friends.last() else { return Ok(()) };
    if by_friends.iter().all(|(_, own)| alike(own, common)) {
        return Ok(());
    }
    for (path, own) in &by_friends {
        let Some(recording) = recordings.get(path) else { continue };
        for capture in captures.iter().filter(|c| c.path == *path) {
            let samples = channel_of(&recording.wav, capture.channel, path)?;
            let moved = Spectrum::heard(plans, &recording.played, samples, rate);
            let taken_for = |other: &Spectrum| !alike(own, other) && alike(&moved, other);
            if !alike(&moved, own) && references.iter().any(|(_, other)| taken_for(other)) {
                return Err(JobError::Input(format!(
                    "{}: its inputs are swapped: input {} carries what the reference carries in another recording; exchange the two channels of this file, or record it again",
                    path.display(),
                    capture.channel
                )));
            }
        }
    }
    for (path, _) in by_friends.iter().filter(|(_, own)| !alike(own, common)) {
        judged.note(
            Verdict::Retake,
            format!(
                "{}: its reference is not the same output as in the other recordings, so its delays mean nothing; keep one output on the reference input throughout and record it again",
                path.display()
            ),
        );
    }
    Ok(())
}
