//! How long the proposals of Voicing take, against a transform of 2^19 samples beside them.
//!
//! `cargo run --release -p job --example bench_voicing`. Eight channels, nine positions, invented responses.
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]

mod invented;

use std::hint::black_box;
use std::time::Instant;

use dsp::limits::Limits;
use dsp::spectrum::RealTransform;
use job::voicing::{self, Scope, Wish};

fn main() {
    let (map, cabin) = invented::car();
    let Ok(limits) =
        serde_json::from_str::<Limits>(include_str!("../../../assets/limits/small-parametric.json"))
    else {
        println!("the limits in assets cannot be read");
        return;
    };
    let target = job::intake::default_target();
    let plan = RealTransform::new(1 << 19);
    let noise: Vec<f64> = (0..1 << 19).map(|n| (f64::from(n) * 0.7).sin()).collect();
    let reference_ms = best_ms(5, || {
        black_box(plan.forward(black_box(&noise)));
    });

    let mut made = None;
    let set_up_ms = best_ms(1, || {
        made = voicing::set_up(&cabin, &map, &target, &limits, &Wish::default()).ok();
    });
    let Some(made) = made else {
        println!("the invented car cannot be set up");
        return;
    };
    let mut brighter = target.clone();
    brighter.points.iter_mut().filter(|it| it.0 > 10_000.0).for_each(|it| it.1 += 2.0);
    let follow_ms = best_ms(5, || {
        let found =
            voicing::propose_quickly(&cabin, &Scope::Whole, &made.result.tune, &brighter, &limits).is_ok();
        black_box(found);
    });
    let predict_ms = best_ms(10, || {
        black_box(voicing::predict(&cabin, &made.result.tune, &Scope::Whole).is_ok());
    });
    println!("reference: a transform of 2^19 samples takes {reference_ms:.1} ms here");
    for (what, ms) in [
        ("prediction of the whole car", predict_ms),
        ("new proposal after a target change (asked: 150 ms)", follow_ms),
        ("set up in one call", set_up_ms),
    ] {
        println!("{what}: {ms:.1} ms, {:.1} of the reference", ms / reference_ms);
    }
}

fn best_ms(times: usize, mut work: impl FnMut()) -> f64 {
    let once = |_| {
        let started = Instant::now();
        work();
        1e3 * started.elapsed().as_secs_f64()
    };
    (0..times).map(once).fold(f64::INFINITY, f64::min)
}
