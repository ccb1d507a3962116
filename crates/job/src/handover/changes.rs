//! What changed, in words a customer understands, and never more than the measurement shows.

use dsp::curve::Curve;
use dsp::target::Target;
use serde::{Deserialize, Serialize};

/// A named part of the audible range; the names are common practice, no source.
const REGIONS: [(&str, f64, f64); 6] = [
    ("deep bass", 20.0, 60.0),
    ("bass", 60.0, 200.0),
    ("lower midrange", 200.0, 500.0),
    ("midrange", 500.0, 2_000.0),
    ("upper midrange", 2_000.0, 6_000.0),
    ("treble", 6_000.0, 20_000.0),
];

/// A curve with the level of the target's 0 dB line on its scale.
#[derive(Debug, Clone, Copy)]
pub struct Fitted<'a> {
    /// The measured curve, with its spread.
    pub curve: &'a Curve,
    /// Level of the target's 0 dB line.
    pub target_level_db: f64,
}

/// How one region changed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Change {
    /// Its name.
    pub region: String,
    /// Lower edge of what was measured of it.
    pub from_hz: f64,
    /// Upper edge of what was measured of it.
    pub to_hz: f64,
    /// Mean distance above (+) or below (−) the target before.
    pub before_db: f64,
    /// The same after.
    pub after_db: f64,
    /// Mean of the two ribbons' half-widths together: a change no larger than this is not called one.
    pub ribbons_db: f64,
    /// True where the change is larger than the ribbons.
    pub distinguishable: bool,
    /// In plain words.
    pub sentence: String,
}

struct Means {
    from_hz: f64,
    to_hz: f64,
    before_db: f64,
    after_db: f64,
    ribbons_db: f64,
}

fn means(before: Fitted, after: Fitted, target: &Target, from_hz: f64, to_hz: f64) -> Option<Means> {
    let mut sums = [0.0; 3];
    let mut points = 0;
    for &f in after.curve.frequency_hz.iter().filter(|&&f| (from_hz..to_hz).contains(&f)) {
        let (Some(b), Some(a)) = (before.curve.level_at_db(f), after.curve.level_at_db(f)) else { continue };
        // Without a ribbon nothing can be called a change.
        let ribbons = match (before.curve.spread_at_db(f), after.curve.spread_at_db(f)) {
            (Some(b), Some(a)) => b + a,
            _ => f64::INFINITY,
        };
        sums[0] += b - before.target_level_db - target.level_at_db(f);
        sums[1] += a - after.target_level_db - target.level_at_db(f);
        sums[2] += ribbons;
        points += 1;
    }
    let n = f64::from(points);
    (points > 0).then(|| Means {
        from_hz,
        to_hz,
        before_db: sums[0] / n,
        after_db: sums[1] / n,
        ribbons_db: sums[2] / n,
    })
}

/// One entry per region inside `from_hz` to `to_hz`; each compares the mean distance from the target.
pub fn changes(before: Fitted, after: Fitted, target: &Target, from_hz: f64, to_hz: f64) -> Vec<Change> {
    REGIONS
        .iter()
        .filter_map(|&(region, low_hz, high_hz)| {
            let means = means(before, after, target, low_hz.max(from_hz), high_hz.min(to_hz))?;
            let distinguishable = (means.after_db - means.before_db).abs() > means.ribbons_db;
            let sentence = sentence(region, &means, distinguishable, target.tolerance_db);
            Some(Change {
                region: region.into(),
                from_hz: means.from_hz,
                to_hz: means.to_hz,
                before_db: means.before_db,
                after_db: means.after_db,
                ribbons_db: means.ribbons_db,
                distinguishable,
                sentence,
            })
        })
        .collect()
}

fn sentence(region: &str, means: &Means, distinguishable: bool, tolerance_db: f64) -> String {
    let (before, after) = (means.before_db, means.after_db);
    let place = format!("{} ({} to {})", region, hertz(means.from_hz), hertz(means.to_hz));
    if !distinguishable {
        return format!(
            "The {place} changed by less than the measurement can tell apart ({:+.1} dB, and the ribbons are ±{:.1} dB).",
            after - before,
            means.ribbons_db
        );
    }
    let now = if after.abs() < 0.5 {
        "on the target".to_owned()
    } else {
        format!("{:.1} dB {} it", after.abs(), if after > 0.0 { "above" } else { "below" })
    };
    let was = format!("{:.1} dB {} the target", before.abs(), if before > 0.0 { "above" } else { "below" });
    if after.abs() >= before.abs() {
        return format!("The {place} was {was}; it is now {now}, further away than before.");
    }
    let inside = if after.abs() <= tolerance_db { ", inside the corridor" } else { "" };
    format!("The {place} was {was}; it is now {now}{inside}.")
}

/// A frequency as it is said: "63 Hz", "2.5 kHz".
pub fn hertz(frequency_hz: f64) -> String {
    if frequency_hz < 1000.0 {
        format!("{frequency_hz:.0} Hz")
    } else {
        let kilo = format!("{:.1}", frequency_hz / 1000.0);
        format!("{} kHz", kilo.strip_suffix(".0").unwrap_or(&kilo))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(level_db: f64, spread_db: f64) -> Curve {
        let hz = dsp::curve::log_grid_hz(20.0, 20_000.0, 24.0);
        let n = hz.len();
        Curve { spread_db: Some(vec![spread_db; n]), ..Curve::of_levels(hz, vec![level_db; n]) }
    }

    fn flat() -> Target {
        Target { name: "flat".into(), points: vec![(20.0, 0.0), (20_000.0, 0.0)], tolerance_db: 3.0 }
    }

    fn compare(before_db: f64, after_db: f64, spread_db: f64) -> Vec<Change> {
        let (before, after) = (curve(before_db, spread_db), curve(after_db, spread_db));
        changes(
            Fitted { curve: &before, target_level_db: 0.0 },
            Fitted { curve: &after, target_level_db: 0.0 },
            &flat(),
            30.0,
            18_000.0,
        )
    }

    #[test]
    fn a_difference_inside_the_ribbons_is_not_called_a_change() {
        for change in compare(3.0, 1.0, 1.1) {
            assert!(!change.distinguishable, "{change:?}");
            assert!(
                change.sentence.contains("less than the measurement can tell apart"),
                "{}",
                change.sentence
            );
        }
    }

    #[test]
    fn a_curve_without_ribbons_never_shows_a_change() {
        let bare = Curve { spread_db: None, ..curve(9.0, 0.0) };
        let after = curve(0.0, 0.1);
        let found = changes(
            Fitted { curve: &bare, target_level_db: 0.0 },
            Fitted { curve: &after, target_level_db: 0.0 },
            &flat(),
            20.0,
            20_000.0,
        );
        assert!(!found.is_empty() && found.iter().all(|c| !c.distinguishable));
    }

    #[test]
    fn better_and_worse_are_both_said() {
        let better = &compare(6.0, 1.0, 0.5)[1];
        assert_eq!(
            better.sentence,
            "The bass (60 Hz to 200 Hz) was 6.0 dB above the target; it is now 1.0 dB above it, inside the corridor."
        );
        let worse = &compare(-1.0, 5.0, 0.5)[1];
        assert!(worse.sentence.ends_with("further away than before."), "{}", worse.sentence);
    }

    #[test]
    fn frequencies_are_said_the_way_people_say_them() {
        assert_eq!([hertz(63.0), hertz(1000.0), hertz(2520.0)], ["63 Hz", "1 kHz", "2.5 kHz"]);
    }
}
