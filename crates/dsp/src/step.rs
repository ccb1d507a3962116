//! Step response.

/// Response to a unit step: the running sum of an impulse response, of the same length.
pub fn step_response(impulse: &[f64]) -> Vec<f64> {
    impulse
        .iter()
        .scan(0.0, |sum, x| {
            *sum += x;
            Some(*sum)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_one_pole_low_pass_charges_as_the_textbook_says() {
        // y[n] = (1 − p) x[n] + p y[n−1] has the step response 1 − p^(n+1).
        let pole: f64 = 0.9;
        let impulse: Vec<f64> = (0..200).map(|n| (1.0 - pole) * pole.powi(n)).collect();
        for (n, s) in step_response(&impulse).iter().enumerate() {
            assert!((s - (1.0 - pole.powi(n as i32 + 1))).abs() < 1e-12);
        }
    }
}
