//! `clothline trace`: a photo to an outline and a pattern piece.

use clothline::Refusal;
use clothline::overlay::{self, Annotations};
use clothline::photo::Photo;
use clothline::reference::Axis;
use clothline::trace::{Trace, TraceOptions, trace};
use clothline::units::MatPoint;
use image::RgbImage;
use image::codecs::jpeg::JpegEncoder;

use super::args::TraceArgs;
use super::files::{self, Batch};
use super::progress::Progress;

/// Quality of the pictures written.
const JPEG_QUALITY: u8 = 88;

/// Runs the command.
///
/// # Errors
/// A refusal from any stage; nothing is written then.
pub fn run(args: &TraceArgs) -> Result<(), Refusal> {
    let pitch = super::mats::pitch(args)?;
    files::check_writable(&args.output.out)?;
    let mut progress = Progress::new(args.output.quiet, args.debug.as_deref());
    let made = make(args, pitch, &mut progress);
    progress.finish();
    // Pictures of the stages are most wanted when something went wrong.
    progress.write_debug()?;
    made?.write(&args.output.out)
}

fn make(args: &TraceArgs, pitch: clothline::mats::Pitch, progress: &mut Progress) -> Result<Batch, Refusal> {
    use clothline::trace::Watch;
    progress.stage("reading the photo");
    let bytes = files::read(&args.photo)?;
    let photo = Photo::decode(&bytes)?;
    let options = TraceOptions { pitch, thickness_mm: args.thickness.map(|t| t.mm()) };
    let traced = trace(&photo, &options, progress)?;
    progress.stage("writing");
    let mut batch = Batch::default();
    let json = serde_json::json!({
        "units": "mm",
        "outline": traced.outline.points.iter().map(|p| p.at).collect::<Vec<_>>(),
        "doubt_mm": traced.outline.points.iter().map(|p| p.doubt_mm).collect::<Vec<_>>(),
        "scale": traced.scale, "warnings": traced.warnings,
    });
    batch.add("outline.json", json.to_string().into_bytes());
    let notes = annotations(&traced);
    let picture = overlay::draw(&traced.flat, &traced.outline, &notes);
    batch.add("overlay.jpg", jpeg(&picture, JPEG_QUALITY).unwrap_or_default());
    batch.add("flat.jpg", jpeg(&traced.flat.rgb, JPEG_QUALITY).unwrap_or_default());
    Ok(batch)
}

fn annotations(traced: &Trace) -> Annotations {
    let [px, py] = traced.grid.pitch_mm;
    let grid = traced.grid.sides.iter().map(|side| {
        let across = f64::from(side.index);
        [side.along - 0.3, side.along + 0.3].map(|along| match side.axis {
            Axis::X => MatPoint::new(across * px, along * py),
            Axis::Y => MatPoint::new(along * px, across * py),
        })
    });
    Annotations { grid: grid.collect(), weak_above_mm: 0.8, ..Annotations::default() }
}

/// JPEG bytes of a picture.
pub fn jpeg(picture: &RgbImage, quality: u8) -> Option<Vec<u8>> {
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, quality).encode_image(picture).ok()?;
    Some(bytes)
}
