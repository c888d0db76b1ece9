//! How two photos of one mat lie on each other.  `register_photos A.jpg B.jpg PITCH`

use clothline::camera::fit;
use clothline::join::{View, register};
use clothline::photo::Photo;
use clothline::reference::{self, grid::GridSpec};

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let pitch: clothline::units::Length = args[3].parse().expect("a pitch");
    let spec = GridSpec { pitch_mm: [pitch.mm(); 2] };
    let seen: Vec<_> = args[1..3]
        .iter()
        .map(|path| {
            let photo = Photo::decode(&std::fs::read(path).expect("a file")).expect("a photo");
            let grid = reference::find(&photo.luma(), &spec).expect("a grid");
            let fitted = fit(&grid, (photo.width(), photo.height()), photo.focal_px()).expect("a camera");
            println!("{path}: bold {:?} foot {:?}", grid.bold, fitted.camera.pose.map(|p| p.foot));
            (photo, grid, fitted)
        })
        .collect();
    let view = |k: usize| View { photo: &seen[k].0, camera: &seen[k].2.camera, grid: &seen[k].1 };
    let started = std::time::Instant::now();
    println!("{:#?}\n{:?}", register(view(0), view(1)), started.elapsed());
}
