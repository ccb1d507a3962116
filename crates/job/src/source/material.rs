//! The recordings there are to work out: every output in one take, or each in its own.

use dsp::stimulus::Recipe;
use dsp::verdict::Verdict;
use garage::take::Heard;
use garage::{TakeRecord, VisitFolder};

use super::{BOTH, FACTORY, ONE_OUTPUT, SILENT_DB, Signal, is_of_the_source, mean_level_db, newest};
use crate::analysis;
use crate::error::JobError;
use crate::factory::CaptureRef;
use crate::judged::Judged;

/// Recordings of one stimulus.
pub(super) struct Material {
    pub recipe: Recipe,
    pub captures: Vec<CaptureRef>,
    /// Channel of every file that carries the time, counted from 1.
    pub reference: Option<usize>,
    /// Outputs that carry next to nothing.
    pub silent: Vec<String>,
}

impl Material {
    /// The latest there is.
    pub fn of(folder: &VisitFolder, takes: &[TakeRecord], judged: &mut Judged<()>) -> Result<Self, JobError> {
        let together = newest(takes, BOTH, Signal::AsItCame.label());
        let alone = one_by_one(takes);
        match (together, alone.last()) {
            (Some(take), latest) if latest.is_none_or(|it| it.made_at < take.made_at) => {
                Self::together(folder, take)
            }
            (_, Some(latest)) => Self::one_by_one(folder, &alone, latest, judged),
            _ => Err(JobError::not_yet(
                "the factory's signal was not taken with both sides and each alone, nor any output by itself",
                "take the factory signal, or record its outputs, in Source first",
            )),
        }
    }

    fn together(folder: &VisitFolder, take: &TakeRecord) -> Result<Self, JobError> {
        let reference = take.recorded.iter().position(|it| it.heard == Heard::Reference);
        let levels = levels(folder, take)?;
        let places: Vec<(&TakeRecord, usize)> = (0..take.recorded.len()).map(|place| (take, place)).collect();
        let recipe = analysis::recipe_of(take)?;
        Self::sorted(folder, recipe, &places, &levels, reference.map(|place| place + 1))
    }

    fn one_by_one(
        folder: &VisitFolder,
        takes: &[&TakeRecord],
        latest: &TakeRecord,
        judged: &mut Judged<()>,
    ) -> Result<Self, JobError> {
        let name = |take: &TakeRecord| take.subject.clone().unwrap_or_default();
        let (same, others): (Vec<&TakeRecord>, Vec<&TakeRecord>) =
            takes.iter().partition(|take| take.stimulus == latest.stimulus);
        for other in others {
            let name = name(other);
            judged.note(
                Verdict::Usable,
                format!("{name} was recorded with another stimulus and is left out: record it again with the present one."),
            );
        }
        // The output that stays on its input is in every recording, whether by itself or beside another.
        let stays = same
            .iter()
            .rev()
            .find_map(|take| take.recorded.first().filter(|it| it.heard == Heard::Reference)?.name.as_ref());
        let has_it = |take: &TakeRecord| take.recorded.first().and_then(|it| it.name.as_ref()) == stays;
        for without in same.iter().filter(|take| stays.is_some() && !has_it(take)) {
            judged.note(
                Verdict::Usable,
                format!("{} was recorded without the reference, so its delay is unknown: record it again beside it.", name(without)),
            );
        }
        let reference = (stays.is_some() && same.iter().all(|take| has_it(take))).then_some(1);
        let mut places: Vec<(&TakeRecord, usize)> =
            same.iter().map(|take| (*take, take.recorded.len() - 1)).collect();
        let by_itself = same.iter().any(|take| take.recorded.len() == 1 && has_it(take));
        if let Some(take) = same.iter().rfind(|take| has_it(take)).filter(|_| stays.is_some() && !by_itself) {
            places.insert(0, (take, 0));
        }
        let mut levels = Vec::new();
        for take in &same {
            levels.extend(self::levels(folder, take)?);
        }
        Self::sorted(folder, analysis::recipe_of(latest)?, &places, &levels, reference)
    }

    /// The head unit's outputs among `places`, those that carry something apart from those that do not.
    fn sorted(
        folder: &VisitFolder,
        recipe: Recipe,
        places: &[(&TakeRecord, usize)],
        levels: &[(String, f64)],
        reference: Option<usize>,
    ) -> Result<Self, JobError> {
        let level_db = |line: &str| levels.iter().rfind(|it| it.0 == line).map_or(f64::MIN, |it| it.1);
        let loudest_db = levels.iter().map(|it| it.1).fold(f64::MIN, f64::max);
        let (mut captures, mut silent) = (Vec::new(), Vec::new());
        for (take, place) in places {
            let Some(line) = take.recorded.get(*place).and_then(|it| it.name.as_deref()) else { continue };
            let Some(name) = line.strip_prefix(FACTORY) else { continue };
            if level_db(line) > loudest_db - SILENT_DB {
                let path = folder.recording(&take.id);
                captures.push(CaptureRef { name: name.to_owned(), path, channel: place + 1 });
            } else {
                silent.push(name.to_owned());
            }
        }
        if captures.is_empty() {
            return Err(JobError::not_yet(
                "no output of the head unit carries anything",
                "turn the volume up, check the probes, and take the factory signal again",
            ));
        }
        Ok(Self { recipe, captures, reference, silent })
    }
}

/// Outputs recorded each by itself, in the order they were recorded.
fn one_by_one(takes: &[TakeRecord]) -> Vec<&TakeRecord> {
    let alone = |take: &&TakeRecord| take.label.as_deref() == Some(ONE_OUTPUT) && !take.recorded.is_empty();
    takes.iter().filter(|take| is_of_the_source(take)).filter(alone).collect()
}

/// Mean level of every named line of a take, the one that carries the time too.
fn levels(folder: &VisitFolder, take: &TakeRecord) -> Result<Vec<(String, f64)>, JobError> {
    let mut all = take.clone();
    if take.recorded.iter().any(|it| it.heard == Heard::Reference && it.name.is_some()) {
        all.recorded.iter_mut().for_each(|it| it.heard = Heard::Line);
    }
    let lines = analysis::lines_of_take(folder, &all, None)?;
    Ok(lines.into_iter().map(|(name, response)| (name, mean_level_db(&response))).collect())
}
