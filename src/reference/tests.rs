use super::*;

/// Heather may pass for lines that are not flat: the floor it lies on is the reference all the same.
#[test]
fn a_floor_is_found_although_the_only_lattice_is_uneven() {
    let luma = tiles::tests::heather_on_tiles();
    let uneven = || Err(Refusal::new(RefusalKind::UnevenReference, "a bent lattice", "lay it flat"));
    let best_of = |pitch_mm: f64| {
        let spec = GridSpec { pitch_mm: [pitch_mm; 2] };
        best(&luma, uneven(), &Others::new(&luma, &spec))
    };
    let found = best_of(300.0).expect("a floor");
    assert!(found.warnings.iter().any(|w| w.code == "tiles-used"), "{:?}", found.warnings);
    // Nobody's tiles are a centimetre wide.
    assert_eq!(best_of(10.0).unwrap_err().kind, RefusalKind::UnevenReference);
}
