//! Keeping a tune: numbered, never changed.

use dsp::tune::Tune;
use garage::{Reason, TakeKind, TuneNote, VisitFolder};

use crate::error::JobError;
use crate::export::write_taps;
use crate::workplace::WorkClock;

/// Saves `tune` under the next number of the visit and gives the number; its taps are written beside the report, as files
/// to load.
///
/// # Errors
/// A tune that breaks its own rules, a busy garage, a full disk.
pub fn save_tune(
    folder: &VisitFolder,
    clock: &mut WorkClock,
    tune: &Tune,
    title: &str,
    reasons: Vec<Reason>,
    based_on: Option<u32>,
) -> Result<u32, JobError> {
    let mut tune = tune.clone();
    tune.refresh_biquads().map_err(|(name, error)| JobError::Input(format!("{name}: {error}")))?;
    let takes = folder.takes()?.found;
    let rests_on: Vec<_> =
        takes.iter().filter(|take| take.kind == TakeKind::Cabin && take.is_current()).collect();
    let note = TuneNote {
        number: 1,
        made_at: clock.now(),
        title: title.to_owned(),
        reasons,
        based_on,
        takes: rests_on.iter().map(|take| take.id.clone()).collect(),
        simulated: rests_on.iter().any(|take| take.simulated),
    };
    let number = folder.save_tune(&tune, note)?;
    write_taps(&tune, &folder.report_folder(), &format!("tune-{number}"))
        .map_err(|error| JobError::Input(format!("tune {number} is kept, but {error}")))?;
    Ok(number)
}
