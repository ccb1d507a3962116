use super::rig::{self, Car, Colour, RATE_HZ};
use crate::measure::{Capture, Options, analyse};
use crate::spectrum::{RealTransform, smooth_power};

#[test]
fn a_car_is_measured() {
    let recipe = rig::sweep_recipe(1);
    let signal = recipe.render().unwrap().channels.remove(0);
    for seed in 0..3 {
        let mut random = rig::seeded(seed);
        let car = Car::random(&mut random);
        let skew = [0.0, 300e-6, -500e-6][seed as usize];
        let mut heard = rig::record(&signal, &car, 12_345.6, skew, 0.5);
        let over = (100_000, 500_000);
        rig::add_noise(&mut heard, &mut random, Colour::White, 40.0, over);
        let capture = Capture { rate_hz: 48_000, microphone: &heard, reference: None };
        let measured = analyse(&recipe, &capture, &Options::default()).unwrap();
        let plan = RealTransform::new(1 << 18);
        let truth: Vec<f64> = car.response(&plan).iter().map(|h| h.norm_sqr()).collect();
        let truth = smooth_power(&truth, RATE_HZ / plan.length() as f64, &measured.curve.frequency_hz, 12.0);
        let mut worst = (0.0f64, 0.0);
        for ((f, db), p) in measured.curve.frequency_hz.iter().zip(&measured.curve.level_db).zip(&truth) {
            if (30.0..18_000.0).contains(f) {
                let error = (db - 10.0 * p.log10()).abs();
                if error > worst.0 {
                    worst = (error, *f);
                }
            }
        }
        println!(
            "seed {seed} worst {worst:?} skew {:?} of {} arrival {} start {}",
            measured.facts.clock_skew_ppm,
            skew * 1e6,
            measured.facts.arrival_ms,
            measured.facts.start_offset_s
        );
        assert!(worst.0 < 0.1);
    }
}
