//! Bessel filters by table: the stages of the low-pass that is −3 dB at 1.

/// For orders 1 to 8, each stage's natural frequency and Q; a Q of 0 marks a first-order stage.
///
/// From the poles of `scipy.signal.bessel(order, 1, analog=True, norm="mag", output="zpk")`, SciPy 1.17.1.
const STAGES: [&[(f64, f64)]; 8] = [
    &[(1.000000000, 0.000000000)],
    &[(1.272019650, 0.577350269)],
    &[(1.322675800, 0.000000000), (1.447617133, 0.691046626)],
    &[(1.430171560, 0.521934582), (1.603357516, 0.805538282)],
    &[(1.502316271, 0.000000000), (1.556347122, 0.563535621), (1.755377777, 0.916477374)],
    &[(1.603919129, 0.510317825), (1.689168268, 0.611194547), (1.904707612, 1.023313954)],
    &[
        (1.684368179, 0.000000000),
        (1.716356045, 0.532355698),
        (1.822417479, 0.660821389),
        (2.049490900, 1.126257542),
    ],
    &[
        (1.778465912, 0.505991069),
        (1.832092601, 0.559609165),
        (1.953195759, 0.710852074),
        (2.188726231, 1.225669425),
    ],
];

/// The stages of `order`, 1 to 8; the nearest of these for any other.
pub fn stages(order: u32) -> &'static [(f64, f64)] {
    STAGES[(order.clamp(1, 8) - 1) as usize]
}
