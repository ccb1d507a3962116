//! The average of measured curves over positions.

use std::path::PathBuf;

use dsp::average::{AverageError, Method, spatial_average};
use dsp::curve::Curve;
use dsp::verdict::Verdict;
use garage::FormatError;
use garage::formats::curve_csv;
use serde::Serialize;

use crate::judged::Judged;

/// What was averaged and what came out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Average {
    /// Curves that went in.
    pub positions: usize,
    /// What was averaged.
    pub method: Method,
    /// Lowest frequency that all curves hold.
    pub from_hz: f64,
    /// Highest frequency that all curves hold.
    pub to_hz: f64,
    /// Half-width of the 95 % interval, mean over the range.
    pub mean_spread_db: f64,
    /// The average with its interval.
    pub curve: Curve,
}

/// Why there is no average.
#[derive(Debug, thiserror::Error)]
pub enum AverageFailure {
    /// A file cannot be read.
    #[error(transparent)]
    File(#[from] FormatError),
    /// The curves do not fit together.
    #[error("{0}")]
    Curves(String),
}

/// Fewer positions leave most of the interval to what is usual rather than to what was measured.
const FEW_POSITIONS: usize = 4;

/// Reads curve files and averages them.
///
/// # Errors
/// [`AverageFailure`] naming the file, for one that cannot be read, has unusable values, or shares no range.
pub fn average_files(paths: &[PathBuf], method: Method) -> Result<Judged<Average>, AverageFailure> {
    let curves = paths.iter().map(|path| curve_csv::read(path)).collect::<Result<Vec<_>, _>>()?;
    let name = |number: usize| paths.get(number - 1).map_or_else(String::new, |p| p.display().to_string());
    let curve = spatial_average(&curves, method).map_err(|error| {
        AverageFailure::Curves(match error {
            AverageError::None => "there is nothing to average; give at least one curve file".into(),
            AverageError::Unusable { number, what } => {
                format!("{}: {what}; give a curve file as `response` writes it", name(number))
            }
            AverageError::Disjoint { low_number, low_ends_hz, high_number, high_begins_hz } => format!(
                "{} ends at {low_ends_hz:.1} Hz and {} begins at {high_begins_hz:.1} Hz; give curves that share a range of frequencies",
                name(low_number),
                name(high_number)
            ),
        })
    })?;
    let spread_db = curve.spread_db.as_deref().unwrap_or_default();
    let mut judged = Judged::good(Average {
        positions: paths.len(),
        method,
        from_hz: curve.frequency_hz.first().copied().unwrap_or_default(),
        to_hz: curve.frequency_hz.last().copied().unwrap_or_default(),
        mean_spread_db: spread_db.iter().sum::<f64>() / spread_db.len().max(1) as f64,
        curve,
    });
    if paths.len() < FEW_POSITIONS {
        let words = format!(
            "{} is few for an average: with nine positions in the head volume the interval shrinks to about a third of one position's.",
            if paths.len() == 1 { "One position".into() } else { format!("{} positions", paths.len()) }
        );
        judged.note(Verdict::Usable, words);
    }
    for (place, curve) in curves.iter().enumerate() {
        if let Some(earlier) = curves.iter().take(place).position(|it| it == curve) {
            let words = format!(
                "{} and {} hold the same curve: the interval takes each for a measurement of its own and is too narrow.",
                name(earlier + 1),
                name(place + 1)
            );
            judged.note(Verdict::Usable, words);
        }
    }
    let (narrowest, widest) = curves.iter().fold((f64::INFINITY, 0f64), |(least, most), c| {
        let span =
            c.frequency_hz.last().zip(c.frequency_hz.first()).map_or(0.0, |(high, low)| (high / low).log2());
        (least.min(span), most.max(span))
    });
    if widest - narrowest > 0.01 {
        let words = format!(
            "The curves cover different ranges; only what all share is averaged, {:.1} to {:.1} Hz.",
            judged.result.from_hz, judged.result.to_hz
        );
        judged.note(Verdict::Good, words);
    }
    Ok(judged)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn write(dir: &std::path::Path, name: &str, text: &str) -> PathBuf {
        let path = dir.join(name);
        std::fs::write(&path, text).unwrap();
        path
    }

    #[test]
    fn files_are_averaged_and_faults_name_the_file() {
        let dir = tempfile::tempdir().unwrap();
        let a = write(dir.path(), "a.csv", "frequency_hz,level_db\n20,0\n100,0\n1000,0\n");
        let b = write(dir.path(), "b.csv", "frequency_hz,level_db\n20,6\n2000,6\n");
        let far = write(dir.path(), "far.csv", "frequency_hz,level_db\n3000,6\n4000,6\n");
        let judged = average_files(&[a.clone(), b], Method::Db).unwrap();
        assert!(judged.result.curve.level_db.iter().all(|l| (l - 3.0).abs() < 1e-9));
        assert_eq!((judged.result.from_hz, judged.result.to_hz), (20.0, 1000.0));
        assert_eq!(judged.verdict, Verdict::Usable);
        assert_eq!(judged.remarks.len(), 2);
        let words = average_files(&[a.clone(), far], Method::Power).unwrap_err().to_string();
        assert!(words.contains("a.csv") && words.contains("far.csv"), "{words}");
        assert!(average_files(&[], Method::Power).is_err());
        let gone = average_files(&[dir.path().join("gone.csv")], Method::Power).unwrap_err().to_string();
        assert!(gone.contains("gone.csv"), "{gone}");
        let broken = write(dir.path(), "nan.csv", "frequency_hz,level_db\n20,NaN\n");
        assert!(average_files(&[a, broken], Method::Power).unwrap_err().to_string().contains("nan.csv"));
    }
}
