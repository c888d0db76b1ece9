//! Bad input through the real program: a clear error each, the right exit status, and nothing written.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use image::{ImageFormat, Rgb, RgbImage};

const USAGE: i32 = 2;
const REFUSED: i32 = 3;
const FILE: i32 = 4;

struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        Self { folder: tempfile::tempdir().expect("a temporary folder") }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn file(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.path(name);
        std::fs::write(&path, bytes).expect("written");
        path
    }

    fn picture(&self, name: &str, picture: &RgbImage) -> PathBuf {
        let path = self.path(name);
        picture.save_with_format(&path, ImageFormat::Png).expect("written");
        path
    }

    fn run(&self, args: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_clothline"))
            .args(args)
            .current_dir(self.folder.path())
            .output()
            .expect("the program runs")
    }

    /// Traces a photo and checks the exit status, the words, and that nothing was written.
    fn refuses(&self, photo: &Path, more: &[&str], status: i32, words: &[&str]) {
        let mut args = vec!["trace", photo.to_str().expect("a name")];
        args.extend(more);
        args.extend(["--out", "result"]);
        let output = self.run(&args);
        let said = String::from_utf8_lossy(&output.stderr).to_string();
        assert_eq!(output.status.code(), Some(status), "{args:?}: {said}");
        for word in words {
            assert!(said.to_lowercase().contains(word), "{args:?}: \"{word}\" is not in: {said}");
        }
        assert!(!said.contains("panicked"), "{said}");
        assert!(!self.path("result").exists(), "{args:?}: something was written");
    }
}

fn sample() -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos/01-tee-green-inch.jpg");
    std::fs::read(path).expect("the sample photo")
}

/// Deterministic noise, 0 to 1.
fn noise(x: u32, y: u32, salt: u32) -> f32 {
    let mut h = x.wrapping_mul(0x9E37_79B1) ^ y.wrapping_mul(0x85EB_CA77) ^ salt.wrapping_mul(0xC2B2_AE3D);
    h ^= h >> 15;
    h = h.wrapping_mul(0x2C1B_3C6D);
    h ^= h >> 12;
    (h & 0xFFFF) as f32 / 65535.0
}

/// A plain green mat with light lines every `pitch` px within a margin of its own, a little noise.
fn mat(width: u32, height: u32, pitch: f32, left: f32, right: f32) -> RgbImage {
    RgbImage::from_fn(width, height, |x, y| {
        let (u, v) = (x as f32 + 0.02 * y as f32, y as f32 - 0.02 * x as f32);
        let inside = (x as f32) > left && (x as f32) < right;
        let near = |w: f32| ((w / pitch).round() * pitch - w).abs();
        let line = if inside { (1.8 - near(u).min(near(v))).clamp(0.0, 1.0) } else { 0.0 };
        let grain = 6.0 * (noise(x, y, 1) - 0.5);
        let ground: [f32; 3] = if inside { [30.0, 70.0, 55.0] } else { [140.0, 120.0, 100.0] };
        Rgb(ground.map(|c| (c + 110.0 * line + grain).clamp(0.0, 255.0) as u8))
    })
}

#[test]
fn files_that_are_no_photo() {
    let bench = Bench::new();
    bench.refuses(&bench.path("nothing.jpg"), &["--grid", "1in"], FILE, &["nothing.jpg", "check the name"]);
    let text = bench.file("text.jpg", b"Dear diary, today I sewed.");
    bench.refuses(&text, &["--grid", "1in"], REFUSED, &["not a picture", "jpeg"]);
    let empty = bench.file("empty.jpg", b"");
    bench.refuses(&empty, &["--grid", "1in"], REFUSED, &["not a picture"]);
    let whole = sample();
    let cut = bench.file("cut.jpg", &whole[..whole.len() / 3]);
    bench.refuses(&cut, &["--grid", "1in"], REFUSED, &["damaged or cut short"]);
    let heic = bench.file("phone.heic", b"\0\0\0\x18ftypheic\0\0\0\0heicmif1");
    // With the feature `heic` it is a damaged one.
    bench.refuses(&heic, &["--grid", "1in"], REFUSED, &["heic", "jpeg", "most compatible"]);
    let film = bench.file("live.mov", b"\0\0\0\x14ftypqt  \0\0\0\0qt  \0\0\0\x08wide");
    bench.refuses(&film, &["--grid", "1in"], REFUSED, &["film", "photo"]);
    let folder = bench.path("folder.jpg");
    std::fs::create_dir(&folder).expect("made");
    bench.refuses(&folder, &["--grid", "1in"], FILE, &["could not be read"]);
}

#[test]
fn sizes_that_cannot_be() {
    let bench = Bench::new();
    let dot = bench.picture("dot.png", &RgbImage::new(1, 1));
    bench.refuses(&dot, &["--grid", "1in"], REFUSED, &["1 x 1 pixels", "thumbnail"]);
    let huge = bench.file("huge.png", &png_header(40_000, 40_000));
    bench.refuses(&huge, &["--grid", "1in"], REFUSED, &["40000 x 40000", "megapixels"]);
    let huge = bench.file("huge.jpg", &jpeg_header(40_000, 40_000));
    bench.refuses(&huge, &["--grid", "1in"], REFUSED, &["40000 x 40000", "megapixels"]);
}

/// A PNG that is nothing but its signature and header.
fn png_header(width: u32, height: u32) -> Vec<u8> {
    let mut chunk = b"IHDR".to_vec();
    chunk.extend(width.to_be_bytes());
    chunk.extend(height.to_be_bytes());
    chunk.extend([8, 2, 0, 0, 0]);
    let mut bytes = b"\x89PNG\r\n\x1a\n\0\0\0\x0d".to_vec();
    bytes.extend(&chunk);
    bytes.extend(crc32(&chunk).to_be_bytes());
    bytes.extend(b"\0\0\0\0IDAT");
    bytes.extend(crc32(b"IDAT").to_be_bytes());
    bytes
}

/// CRC of PNG (ISO/IEC 15948, annex D).
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0u32, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |c, _| if c & 1 == 1 { 0xEDB8_8320 ^ (c >> 1) } else { c >> 1 })
    })
}

/// A JPEG without a picture: frame header, scan header, end.
fn jpeg_header(width: u16, height: u16) -> Vec<u8> {
    let mut bytes = vec![0xFF, 0xD8, 0xFF, 0xC0, 0, 17, 8];
    bytes.extend(height.to_be_bytes());
    bytes.extend(width.to_be_bytes());
    bytes.extend([3, 1, 0x11, 0, 2, 0x11, 0, 3, 0x11, 0]);
    bytes.extend([0xFF, 0xDA, 0, 12, 3, 1, 0, 2, 0, 3, 0, 0, 63, 0, 0xFF, 0xD9]);
    bytes
}

#[test]
fn photos_without_a_usable_grid() {
    let bench = Bench::new();
    let black = bench.picture("black.png", &RgbImage::new(1600, 1200));
    bench.refuses(&black, &["--grid", "1in"], REFUSED, &["black", "retake"]);
    let white = bench.picture("white.png", &RgbImage::from_pixel(1600, 1200, Rgb([255; 3])));
    bench.refuses(&white, &["--grid", "1in"], REFUSED, &["white", "flash"]);
    let snow = RgbImage::from_fn(1600, 1200, |x, y| Rgb([(255.0 * noise(x, y, 7)) as u8; 3]));
    let snow = bench.picture("snow.png", &snow);
    bench.refuses(&snow, &["--grid", "1in"], REFUSED, &["grid"]);
    let sliver = bench.picture("sliver.png", &mat(1600, 1200, 60.0, 100.0, 290.0));
    bench.refuses(&sliver, &["--grid", "1in"], REFUSED, &["mat"]);
    let blurred = image::imageops::blur(&mat(1600, 1200, 40.0, 0.0, 1600.0), 18.0);
    let blurred = bench.picture("blurred.png", &blurred);
    bench.refuses(&blurred, &["--grid", "1in"], REFUSED, &["retake"]);
    let unfocused = image::imageops::blur(&mat(1600, 1200, 120.0, 0.0, 800.0), 60.0);
    let unfocused = bench.picture("unfocused.png", &unfocused);
    bench.refuses(&unfocused, &["--grid", "1in"], REFUSED, &["sharp", "focus"]);
}

/// Squares a fifth wider than high, garment or not: the photo was stretched, or it is not the mat that was found.
#[test]
fn a_photo_stretched_one_way() {
    let bench = Bench::new();
    let whole = image::load_from_memory(&sample()).expect("the sample photo").to_rgb8();
    let stretched = image::imageops::resize(&whole, 2400, 2667, image::imageops::FilterType::Triangle);
    let stretched = bench.picture("stretched.png", &stretched);
    bench.refuses(&stretched, &["--grid", "1in"], REFUSED, &["out of shape", "stretched"]);
}

#[test]
fn mats_without_a_garment_to_trace() {
    let bench = Bench::new();
    let bare = bench.picture("bare.png", &mat(1600, 1200, 50.0, 0.0, 1600.0));
    bench.refuses(&bare, &["--grid", "1in"], REFUSED, &["cloth"]);
    // Cloth over everything but a rim of the mat runs out of the picture.
    let mut covered = mat(1600, 1200, 50.0, 0.0, 1600.0);
    for (x, y, pixel) in covered.enumerate_pixels_mut() {
        if x > 230 {
            *pixel = Rgb([190, 60, 60].map(|c: u8| c.saturating_add((10.0 * noise(x, y, 3)) as u8)));
        }
    }
    let covered = bench.picture("covered.png", &covered);
    bench.refuses(&covered, &["--grid", "1in"], REFUSED, &[]);
}

#[test]
fn wrong_usage() {
    let bench = Bench::new();
    let photo = bench.file("photo.jpg", b"never read");
    for (grid, words) in [("0", "cannot be"), ("banana", "such as"), ("3", "unit"), ("-1cm", "")] {
        bench.refuses(&photo, &["--grid", grid], USAGE, &[words]);
    }
    let known = ["nothing of known size", "--grid", "--mat", "--card", "--ruler", "--sheet", "--id-card"];
    bench.refuses(&photo, &[], USAGE, &known);
    bench.refuses(&photo, &["--grid", "1in", "--paper", "papyrus"], USAGE, &["a4"]);
    bench.refuses(&photo, &["--grid", "1in", "--measured", "20"], USAGE, &["20=507mm"]);
    // Nothing that is folded lies so high: taken at its word the outline would shrink by centimetres.
    for height in ["3m", "30cm", "-1mm"] {
        bench.refuses(&photo, &["--grid", "1in", "--thickness", height], USAGE, &[]);
    }
    bench.refuses(&photo, &["--grid", "1in", "--thickness", "3m"], USAGE, &["higher than any folded garment"]);
    bench.refuses(&photo, &["--ruler", "450mm", "--reference-height", "3m"], USAGE, &["check the number and its unit"]);
    bench.refuses(&photo, &["--mat", "no-such-mat"], FILE, &["no-such-mat", "calibration"]);
    let output = bench.run(&["trace", "photo.jpg", "--grid", "1in"]);
    assert_eq!(output.status.code(), Some(USAGE), "--out is needed");
}

#[test]
fn a_folder_that_cannot_be_written() {
    let bench = Bench::new();
    let photo = bench.file("photo.jpg", &sample());
    bench.file("in-the-way", b"a file, not a folder");
    let name = photo.to_str().expect("a name");
    let output = bench.run(&["trace", name, "--grid", "1in", "--out", "in-the-way"]);
    assert_eq!(output.status.code(), Some(FILE), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(std::fs::read(bench.path("in-the-way")).expect("still there"), b"a file, not a folder");
}

/// The photo was taken from 0.96 m over inch squares (its truth file): by what is typed here, from 4 cm and from 38 m.
#[test]
fn a_spacing_that_puts_the_camera_where_none_stands() {
    let bench = Bench::new();
    let photo = bench.file("photo.jpg", &sample());
    bench.refuses(&photo, &["--grid", "1mm"], REFUSED, &["cm above the mat", "check the spacing"]);
    bench.refuses(&photo, &["--grid", "1m"], REFUSED, &["m above the mat", "check the spacing"]);
}

/// "Say nothing unless something is wrong": a scale that the mat itself contradicts is wrong.
#[test]
fn quiet_still_says_what_is_wrong() {
    let bench = Bench::new();
    let photo = bench.file("photo.jpg", &sample());
    // The sample's mat has inches with halves between them.
    let args = ["trace", photo.to_str().expect("a name"), "--grid", "1cm", "--out", "result", "-q"];
    let output = bench.run(&args);
    assert!(output.stdout.is_empty(), "{}", String::from_utf8_lossy(&output.stdout));
    let said = String::from_utf8_lossy(&output.stderr).to_string();
    assert!(said.contains("inch mats") && said.contains("10mm apart"), "{said}");
}

/// A piece as `clothline seam` writes it, one thing in it spoiled.
fn spoiled(bench: &Bench, spoil: impl FnOnce(&mut serde_json::Value)) -> String {
    let text = std::fs::read_to_string(bench.path("sound/pattern.json")).expect("a pattern");
    let mut pattern: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    spoil(&mut pattern);
    bench.file("spoiled.json", pattern.to_string().as_bytes()).display().to_string()
}

#[test]
fn pieces_that_cannot_be_drawn() {
    let bench = Bench::new();
    bench.file("square.json", br#"{"units":"mm","outline":[[0,0],[200,0],[200,300],[0,300]]}"#);
    let made = bench.run(&["seam", "square.json", "--fold", "none", "--out", "sound", "-q"]);
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    type Spoil = fn(&mut serde_json::Value);
    let cases: [(Spoil, &str); 9] = [
        (|p| p["units"] = "in".into(), "units are \"in\""),
        (|p| p["pieces"][0]["cut_line"] = serde_json::json!([]), "a cut line of 0 points"),
        (|p| p["pieces"][0]["stitching_line"] = serde_json::json!([[0, 0], [1, 1]]), "a stitching line of 2 points"),
        (|p| p["pieces"][0]["stitching_line"][1][0] = serde_json::Value::Null, "found nothing (null)"),
        (|p| p["pieces"][0]["cut_line"][0][0] = 2e9.into(), "further than 20 m"),
        (|p| p["pieces"][0]["edges"] = serde_json::json!([]), "has no edges"),
        (|p| p["pieces"][0]["edges"][1]["path"] = "Z".into(), "edge 2 whose path cannot be drawn"),
        (|p| p["pieces"][0]["cutting"]["count"] = 100_000_000.into(), "to be cut 100000000 times"),
        (|p| p["pieces"][0]["cutting"]["count"] = 0.into(), "to be cut 0 times"),
    ];
    for (spoil, words) in cases {
        let file = spoiled(&bench, spoil);
        for command in [vec!["sheets", &file], vec!["lay", &file, "--width", "150cm", "--time", "1"]] {
            let output = bench.run(&[&command[..], &["--out", "result"]].concat());
            let said = String::from_utf8_lossy(&output.stderr).to_string();
            assert_eq!(output.status.code(), Some(FILE), "{words}, {command:?}: {said}");
            assert!(said.contains(words) && said.contains("what to do"), "{words}: {said}");
            assert!(!bench.path("result").exists(), "{words}: something was written");
        }
    }
}
