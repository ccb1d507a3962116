//! Settings a processor can hold: rounding bands to its steps, the rest re-optimised as each is rounded.

use super::band::Band;
use super::fit::{ALL_FREE, Fitter, Free};
use crate::fit::Patience;
use crate::limits::{Frequencies, Limits, Range};

/// The settings that exist.
pub(super) struct Steps {
    /// Ascending; empty where frequency is continuous.
    ln_frequencies: Vec<f64>,
    gain_db: Range,
    q: Range,
    /// The sliders of a graphic equaliser: one band at most on each frequency.
    one_each: bool,
}

/// Rounding a frequency to steps finer than this costs next to nothing.
const SPARSE_OCTAVES: f64 = 0.1;
/// Frequencies counted from here where a span is divided.
const SPAN_ORIGIN_HZ: f64 = 1000.0;

impl Steps {
    pub fn new(limits: &Limits, low_hz: f64, high_hz: f64) -> Self {
        let inside = |f: &f64| (low_hz..=high_hz).contains(f);
        let (ln_frequencies, one_each) = match &limits.frequency_hz {
            Frequencies::List { list } => {
                let hz = list.iter().copied().filter(inside);
                (hz.map(f64::ln).collect(), limits.is_graphic())
            }
            Frequencies::Span { per_octave: Some(per_octave), .. } => {
                let index = |f: f64| (f / SPAN_ORIGIN_HZ).log2() * per_octave;
                let steps = index(low_hz).floor() as i64..=index(high_hz).ceil() as i64;
                let at = |k: i64| SPAN_ORIGIN_HZ * (k as f64 / per_octave).exp2();
                // The ends are settings too: a span's own edge need not lie on its division.
                let slack = 1.0 + 1e-9;
                let hz = steps.map(at).filter(|f| (low_hz / slack..=high_hz * slack).contains(f));
                (hz.map(f64::ln).collect(), false)
            }
            Frequencies::Span { per_octave: None, .. } => (Vec::new(), false),
        };
        Self { ln_frequencies, gain_db: limits.gain_db, q: limits.q, one_each }
    }

    /// Frequencies there are, in hertz; empty where any will do.
    pub fn frequencies_hz(&self) -> Vec<f64> {
        self.ln_frequencies.iter().map(|x| x.exp()).collect()
    }

    /// The setting `by` steps from the nearest one to a coordinate; `None` beyond the range or without steps.
    fn setting(&self, coordinate: usize, value: f64, by: i64) -> Option<f64> {
        match coordinate {
            0 => {
                let list = &self.ln_frequencies;
                let nearest = (0..list.len())
                    .min_by(|&a, &b| (list[a] - value).abs().total_cmp(&(list[b] - value).abs()))?;
                list.get(usize::try_from(nearest as i64 + by).ok()?).copied()
            }
            1 => stepped(self.gain_db, value, by),
            _ => stepped(self.q, value.exp(), by).map(f64::ln),
        }
    }

    /// True where two neighbouring frequencies are so far apart that a band cannot be put about where it is best.
    pub fn frequencies_are_sparse(&self) -> bool {
        let widest = self.ln_frequencies.windows(2).map(|pair| pair[1] - pair[0]).fold(0.0, f64::max);
        widest > SPARSE_OCTAVES * std::f64::consts::LN_2
    }

    /// The frequency nearest to `ln_f` on which a band may join `others`.
    pub fn nearest_free(&self, ln_f: f64, others: &[Band]) -> Option<f64> {
        let free = |at: &&f64| !self.taken(others, None, **at);
        let nearer = |a: &&f64, b: &&f64| (**a - ln_f).abs().total_cmp(&(**b - ln_f).abs());
        self.ln_frequencies.iter().filter(free).min_by(nearer).copied()
    }

    fn has(&self, coordinate: usize) -> bool {
        match coordinate {
            0 => !self.ln_frequencies.is_empty(),
            1 => self.gain_db.step.is_some(),
            _ => self.q.step.is_some(),
        }
    }

    /// True where a band other than `but` sits and no second one may.
    fn taken(&self, bands: &[Band], but: Option<usize>, ln_f: f64) -> bool {
        let sits = |(i, band): (usize, &Band)| Some(i) != but && (band.at[0] - ln_f).abs() < 1e-9;
        self.one_each && bands.iter().enumerate().any(sits)
    }
}

fn stepped(range: Range, value: f64, by: i64) -> Option<f64> {
    let step = range.step.filter(|step| *step > 0.0)?;
    let lowest = (range.min / step - 1e-9).ceil();
    let highest = (range.max / step + 1e-9).floor();
    if lowest > highest {
        return (by == 0).then_some(range.min);
    }
    let at = (value / step).round().clamp(lowest, highest) + by as f64;
    // Multiplying back leaves 2.4000000000000004; ten decimals are finer than any processor's step.
    (lowest..=highest).contains(&at).then(|| (at * step * 1e10).round() / 1e10)
}

const WHILE_ROUNDING: Patience = Patience { iterations: 6, least_gain: 1e-4, give_up_above: f64::INFINITY };
const LONGEST_WALK: usize = 6;

/// Rounds every coordinate that has steps; bands that would share a graphic equaliser's frequency move apart.
pub(super) fn round(fitter: &mut Fitter, bands: &mut Vec<Band>, steps: &Steps) {
    let mut free: Vec<Free> = vec![ALL_FREE; bands.len()];
    // Frequencies first, since gain and Q can make up for them; the sharpest and strongest bands first of all.
    for coordinate in [0, 2, 1] {
        if !steps.has(coordinate) {
            continue;
        }
        let mut order: Vec<usize> = (0..bands.len()).collect();
        order.sort_by(|&a, &b| sharpness(&bands[b]).total_cmp(&sharpness(&bands[a])));
        for i in order {
            let Some(settled) = place(steps, bands, i, coordinate, &free) else { continue };
            bands[i].at[coordinate] = settled;
            free[i][coordinate] = false;
            fitter.refine(bands, &free, WHILE_ROUNDING);
        }
        if coordinate == 0 {
            walk(fitter, bands, steps, &free, 0, true);
        }
    }
    for _ in 0..LONGEST_WALK {
        let moved = [1, 2, 0].map(|coordinate| walk(fitter, bands, steps, &free, coordinate, false));
        if moved == [false; 3] {
            break;
        }
    }
    fitter.refine(bands, &free, Patience { iterations: 30, least_gain: 1e-6, ..WHILE_ROUNDING });
}

fn sharpness(band: &Band) -> f64 {
    band.at[1].abs() * band.at[2].exp()
}

/// The nearest setting that is not taken by a band already placed.
fn place(steps: &Steps, bands: &[Band], i: usize, coordinate: usize, free: &[Free]) -> Option<f64> {
    let value = bands[i].at[coordinate];
    if coordinate != 0 {
        return steps.setting(coordinate, value, 0);
    }
    let mut choices = steps.ln_frequencies.clone();
    choices.sort_by(|a, b| (a - value).abs().total_cmp(&(b - value).abs()));
    let placed = |ln_f: f64| {
        bands.iter().enumerate().any(|(k, b)| k != i && !free[k][0] && (b.at[0] - ln_f).abs() < 1e-9)
    };
    choices.into_iter().find(|&ln_f| !(steps.one_each && placed(ln_f)))
}

/// Tries each band one step down and one step up; with `refit`, the free coordinates follow. True when anything moved.
fn walk(
    fitter: &mut Fitter,
    bands: &mut Vec<Band>,
    steps: &Steps,
    free: &[Free],
    coordinate: usize,
    refit: bool,
) -> bool {
    if !steps.has(coordinate) {
        return false;
    }
    let mut cost = fitter.cost(bands);
    let mut moved = false;
    for _ in 0..LONGEST_WALK {
        let mut moved_now = false;
        for i in 0..bands.len() {
            for by in [-1, 1] {
                let Some(next) = steps.setting(coordinate, bands[i].at[coordinate], by) else { continue };
                // Half a step beyond is where rounding may have put it.
                if by > 0 && next > fitter.bounds().high_of(bands[i].kind)[coordinate] + 1e-9 {
                    continue;
                }
                if coordinate == 0 && steps.taken(bands, Some(i), next) {
                    continue;
                }
                let mut trial = bands.clone();
                trial[i].at[coordinate] = next;
                let after =
                    if refit { fitter.refine(&mut trial, free, WHILE_ROUNDING) } else { fitter.cost(&trial) };
                if after < cost * (1.0 - 1e-9) {
                    *bands = trial;
                    cost = after;
                    moved_now = true;
                }
            }
        }
        moved |= moved_now;
        if !moved_now {
            break;
        }
    }
    moved
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_are_counted_from_zero_and_stay_inside() {
        let range = Range { min: -15.0, max: 6.0, step: Some(0.5) };
        assert_eq!(stepped(range, 2.3, 0), Some(2.5));
        assert_eq!(stepped(range, 2.3, -1), Some(2.0));
        assert_eq!(stepped(range, 6.0, 1), None);
        assert_eq!(stepped(Range { min: 0.3, max: 10.0, step: Some(0.1) }, 0.31, 0), Some(0.3));
        assert_eq!(stepped(Range { min: 4.3, max: 4.3, step: Some(0.5) }, 4.3, 0), Some(4.3));
    }
}
