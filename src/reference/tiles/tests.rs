use super::*;

#[test]
fn nothing_in_nothing() {
    let spec = GridSpec { pitch_mm: [300.0, 300.0] };
    let pattern = GrayImage::from_fn(700, 700, |x, y| image::Luma([(x ^ y) as u8]));
    for picture in [GrayImage::new(3, 3), GrayImage::new(900, 700), pattern] {
        assert_eq!(find(&picture, &spec).unwrap_err().kind, RefusalKind::NoReference);
    }
}

/// Tiles 240 px wide with dark joints, and a heathered cloth amid them whose streaks are longer than the joints are.
pub(in crate::reference) fn heather_on_tiles() -> GrayImage {
    let noise = |x: u32, y: u32| {
        let mut z = u64::from(x).wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ u64::from(y).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 31)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (z >> 56) as i32
    };
    let (pitch, side) = (240.0, 1060);
    GrayImage::from_fn(side, side, |x, y| {
        let (dx, dy) = (f64::from(x) - 40.0, f64::from(y) - 55.0);
        let off = |v: f64| (v - (v / pitch).round() * pitch).abs();
        let is_cloth = (100..960).contains(&x) && (130..930).contains(&y);
        let level = if is_cloth {
            80 + noise(x / 160, y) / 6
        } else if off(dx + 0.02 * dy).min(off(dy - 0.02 * dx)) < 2.0 {
            60
        } else {
            170 + noise(x, y) / 64
        };
        image::Luma([level as u8])
    })
}

#[test]
fn joints_are_found_beside_a_weave_of_many_fainter_lines() {
    let seen = find(&heather_on_tiles(), &GridSpec { pitch_mm: [300.0, 300.0] }).expect("a floor");
    assert_eq!(seen.marking, Marking::DarkLines);
    let lines: BTreeSet<i32> = seen.sides.iter().filter(|s| s.axis == Axis::X).map(|s| s.index).collect();
    assert_eq!(lines.len(), 5, "{lines:?}");
}
