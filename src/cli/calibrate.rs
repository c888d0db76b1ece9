//! `clothline calibrate`: photos of a mat or board to a lens profile.

use clothline::camera::calibrate::calibrate;
use clothline::camera::lens_profile::{CameraIdentity, LensProfile, view_of};
use clothline::reference::grid::GridSpec;
use clothline::units::{ImagePoint, MatPoint};
use clothline::{Refusal, RefusalKind, reference};

use super::args::CalibrateArgs;
use super::files::{self, Batch};
use super::{lenses, trace};

/// Runs the command.
///
/// # Errors
/// If photos cannot be read, are not of one camera, or do not determine its lens; nothing is written then.
pub fn run(args: &CalibrateArgs) -> Result<(), Refusal> {
    let folder = args.calibration.join(lenses::FOLDER);
    files::check_writable(&folder)?;
    let (identity, views) = views(args)?;
    let [w, h] = identity.size_px;
    let points: Vec<_> = views.iter().map(|v| v.points.clone()).collect();
    let found = calibrate(&points, (w, h), false)?;
    let name = args.name.clone().unwrap_or_else(|| own_name(&identity));
    let profile = LensProfile::new(&plain(&name), identity, &found);
    let mut batch = Batch::default();
    let file = format!("{}.json", profile.name);
    batch.add(&file, profile.to_json().into_bytes());
    batch.write(&folder)?;
    let path = folder.join(file);
    if args.json {
        say!("{:#}", serde_json::json!({ "file": path, "profile": profile, "view_rms_px": found.view_rms_px }));
    } else if !args.quiet {
        for (view, rms) in views.iter().zip(&found.view_rms_px) {
            say!("{}: {} points, {rms:.2} px", view.name, view.points.len());
        }
        words(&profile);
        say!("written: {}", path.display());
        say!("next: trace as before; photos of this camera, lens and size use the profile by themselves");
    }
    if !profile.camera.is_named() && !args.quiet {
        eprintln!(
            "note: these photos do not say what camera took them, so later photos cannot pick this profile up by \
             themselves: use the files as the camera wrote them"
        );
    }
    Ok(())
}

fn words(p: &LensProfile) {
    say!(
        "focal length {:.1} and {:.1} px (give or take {:.1}), centre {:.1}, {:.1} px (give or take {:.1}, {:.1})",
        p.focal_px[0],
        p.focal_px[1],
        1.96 * p.focal_sigma_px[0].max(p.focal_sigma_px[1]),
        p.centre_px[0],
        p.centre_px[1],
        1.96 * p.centre_sigma_px[0],
        1.96 * p.centre_sigma_px[1]
    );
    say!(
        "k1 {:.4} (give or take {:.4}), k2 {:.4} (give or take {:.4}); fitted to {:.3} px",
        p.k1,
        1.96 * p.k1_sigma,
        p.k2,
        1.96 * p.k2_sigma,
        p.rms_px
    );
}

struct View {
    name: String,
    points: Vec<(MatPoint, ImagePoint)>,
}

/// Grid points of every photo, all of one camera.
fn views(args: &CalibrateArgs) -> Result<(CameraIdentity, Vec<View>), Refusal> {
    let spec = GridSpec { pitch_mm: [args.grid.mm(); 2] };
    let mut identity: Option<CameraIdentity> = None;
    let mut views = Vec::new();
    for path in &args.photos {
        let photo = trace::decode(path)?;
        let own = CameraIdentity::of(&photo);
        match &identity {
            Some(first) if !first.same(&own) => return Err(another_camera(&path.display().to_string())),
            _ => identity = Some(own),
        }
        let named = |r: Refusal| {
            Refusal {
            seen: format!("{}: {}", path.display(), r.seen),
            advice: "leave this photo out, or take it again with all of the mat or board in view, flat and sharp; and check \
                     that its squares are of the size given as --grid"
                .to_string(),
            ..r
        }
        };
        let grid = reference::find(&photo.luma(), &spec).map_err(named)?;
        views.push(View { name: path.display().to_string(), points: view_of(&photo, &grid) });
    }
    let identity = identity.ok_or_else(|| another_camera("nothing"))?;
    Ok((identity, views))
}

fn another_camera(name: &str) -> Refusal {
    Refusal::new(
        RefusalKind::BadRequest,
        format!("{name} is from another camera, lens, zoom or picture size than the photos before it"),
        "calibrate from photos of one camera at one zoom and size",
    )
}

/// A name from what the camera says of itself.
fn own_name(identity: &CameraIdentity) -> String {
    let model = identity.model.as_deref().unwrap_or("camera");
    let focal = identity.focal_35mm.or(identity.focal_mm).map_or(String::new(), |f| format!("-{f:.0}mm"));
    format!("{model}{focal}-{}x{}", identity.size_px[0], identity.size_px[1])
}

/// A name fit for a file.
fn plain(name: &str) -> String {
    let letters = name.chars().map(|c| if c.is_alphanumeric() || "-_.".contains(c) { c } else { '-' });
    letters.collect::<String>().trim_matches(['-', '.']).to_lowercase()
}
