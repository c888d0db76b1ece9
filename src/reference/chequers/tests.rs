use super::*;

#[test]
fn nothing_in_nothing() {
    let spec = GridSpec { pitch_mm: [25.0, 25.0] };
    for picture in [
        GrayImage::new(3, 3),
        GrayImage::new(900, 700),
        GrayImage::from_fn(700, 700, |x, y| image::Luma([(x ^ y) as u8])),
    ] {
        assert_eq!(find(&picture, &spec).unwrap_err().kind, RefusalKind::NoReference);
    }
}
