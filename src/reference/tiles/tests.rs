use super::*;

#[test]
fn nothing_in_nothing() {
    let spec = GridSpec { pitch_mm: [300.0, 300.0] };
    let pattern = GrayImage::from_fn(700, 700, |x, y| image::Luma([(x ^ y) as u8]));
    for picture in [GrayImage::new(3, 3), GrayImage::new(900, 700), pattern] {
        assert_eq!(find(&picture, &spec).unwrap_err().kind, RefusalKind::NoReference);
    }
}
