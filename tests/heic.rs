//! HEIC photos, as iPhones take them. Only with the feature: `cargo test --features heic --test heic`.
//!
//! `tests/heic` holds `turned.heic` (written by libheif and x265, its picture turned by a quarter, EXIF with a focal length) and
//! `tiled.heic` (tiles of 512 px, as phones write them); the PNG files beside them are what libheif 1.23 makes of both.

use std::path::{Path, PathBuf};
use std::process::Command;

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/heic").join(name)
}

#[cfg(not(feature = "heic"))]
#[test]
fn without_the_feature_it_is_said_how_to_get_a_jpeg() {
    println!("NOT RUN: the HEIC decoder is not built in; cargo test --features heic --test heic runs its tests");
    let folder = tempfile::tempdir().expect("a folder");
    let output = Command::new(env!("CARGO_BIN_EXE_clothline"))
        .arg("trace")
        .arg(fixture("turned.heic"))
        .args(["--grid", "1cm", "--out"])
        .arg(folder.path().join("out"))
        .output()
        .expect("the program runs");
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(3), "{said}");
    for words in ["HEIC", "Most Compatible", "JPEG", "--features heic"] {
        assert!(said.contains(words), "{words}: {said}");
    }
}

#[cfg(feature = "heic")]
mod with_the_decoder {
    use super::*;
    use clothline::photo::Photo;

    fn bytes(name: &str) -> Vec<u8> {
        std::fs::read(fixture(name)).expect("a fixture")
    }

    /// The luma of both decoders is the same by the standard (ITU-T H.265); how half-size chroma is widened is not laid down.
    #[test]
    fn pictures_are_those_that_another_decoder_makes() {
        for name in ["turned", "tiled"] {
            let photo = Photo::decode(&bytes(&format!("{name}.heic"))).expect("a photo");
            let other = image::open(fixture(&format!("{name}.png"))).expect("a picture").into_rgb8();
            assert_eq!(photo.rgb.dimensions(), other.dimensions(), "{name}");
            let mean = |of: &dyn Fn(&[u8], &[u8]) -> f64| {
                let all = photo.rgb.chunks_exact(3).zip(other.chunks_exact(3)).map(|(a, b)| of(a, b));
                all.sum::<f64>() / f64::from(other.width() * other.height())
            };
            let luma = |p: &[u8]| 0.299 * f64::from(p[0]) + 0.587 * f64::from(p[1]) + 0.114 * f64::from(p[2]);
            let bright = mean(&|a, b| (luma(a) - luma(b)).abs());
            let colour = mean(&|a, b| a.iter().zip(b).map(|(x, y)| f64::from(x.abs_diff(*y))).sum::<f64>() / 3.0);
            assert!(bright < 0.3 && colour < 0.8, "{name}: luma {bright}, colour {colour}");
        }
    }

    #[test]
    fn what_the_camera_said_is_read_and_the_picture_stands_upright() {
        let photo = Photo::decode(&bytes("turned.heic")).expect("a photo");
        // Stored as 480 x 360, turned clockwise: EXIF's orientation 6.
        assert_eq!((photo.width(), photo.height(), photo.taken.orientation), (360, 480, 6));
        // 26 mm by the diagonal rule (CIPA DCG-001).
        assert!((photo.focal_px().expect("a focal length") - 26.0 * 600.0 / 43.266_615).abs() < 1e-3);
        assert_eq!(photo.taken.model.as_deref(), Some("Clothline sample camera"));
        Photo::probe(&bytes("turned.heic")).expect("a picture");
    }

    #[test]
    fn files_cut_short_or_spoilt_are_refused() {
        for name in ["turned.heic", "tiled.heic"] {
            let whole = bytes(name);
            for share in 1..60 {
                let cut = &whole[..whole.len() * share / 60];
                assert!(Photo::decode(cut).is_err(), "{name}, {share} of 60");
            }
            // Spoilt bytes may still make a picture; they must not make a panic.
            for k in 0..40 {
                let mut spoilt = whole.clone();
                let at = (k * 7919 + 13) % spoilt.len();
                spoilt[at] ^= 0x5A;
                let _ = (Photo::decode(&spoilt), Photo::probe(&spoilt));
            }
        }
    }

    #[test]
    fn the_program_finds_the_mat_in_heic() {
        let folder = tempfile::tempdir().expect("a folder");
        let checked = Command::new(env!("CARGO_BIN_EXE_clothline"))
            .arg("check")
            .arg(fixture("tiled.heic"))
            .args(["--grid", "1cm", "--json"])
            .current_dir(folder.path())
            .output()
            .expect("the program runs");
        // Too few pixels to trace well; that it is read, and its grid found, is what counts here.
        let found: serde_json::Value = serde_json::from_slice(&checked.stdout).expect("JSON");
        assert!(found["px_per_mm"].as_f64().is_some_and(|v| (0.5..3.0).contains(&v)), "{found}");
    }
}
