//! Photo bytes to upright pixels, and what the camera said about itself.

mod heif;

use std::io::Cursor;

use image::{DynamicImage, GrayImage, ImageDecoder, ImageFormat, ImageReader, RgbImage, metadata::Orientation};
use rayon::prelude::*;

use crate::refusal::{Refusal, RefusalKind};
use crate::units::ImagePoint;

/// Diagonal of the 36 x 24 mm frame that "35 mm equivalent" refers to (CIPA DCG-001), mm.
const FULL_FRAME_DIAGONAL_MM: f64 = 43.266_615_305_567_87;

/// The largest photo accepted, in pixels (a 48 MP phone picture fits with room to spare).
const MAX_PIXELS: u64 = 110_000_000;

/// The smallest side accepted, in pixels.
const MIN_SIDE_PX: u32 = 240;

/// A decoded photo, turned upright as its EXIF orientation asks.
#[derive(Debug, Clone, PartialEq)]
pub struct Photo {
    /// Pixels, 8 bits a channel, sRGB as the camera wrote them.
    pub rgb: RgbImage,
    /// What the camera wrote about itself.
    pub taken: Taken,
}

/// What the camera wrote into the file; all of it may be missing.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Taken {
    /// Maker of the camera.
    pub make: Option<String>,
    /// Model of the camera.
    pub model: Option<String>,
    /// Lens model.
    pub lens: Option<String>,
    /// Focal length, mm.
    pub focal_mm: Option<f64>,
    /// Focal length on a 36 x 24 mm frame of the same diagonal angle, mm.
    pub focal_35mm: Option<f64>,
    /// EXIF's orientation of the picture as stored, 1 to 8; 0 where nothing is said.
    pub orientation: u8,
}

impl Photo {
    /// Looks at the head of a file: is it a picture of a size that can be worked with? Decodes nothing.
    ///
    /// # Errors
    /// A refusal if the bytes are no such picture, or claim too few or too many pixels.
    pub fn probe(bytes: &[u8]) -> Result<(), Refusal> {
        if let Some(held) = heif::held(bytes) {
            #[cfg(feature = "heic")]
            if held == heif::Held::Heic {
                let (width, height) = heif::size(bytes)?;
                return check_size(width, height);
            }
            return Err(heif::not_read(held));
        }
        let reader = ImageReader::new(Cursor::new(bytes)).with_guessed_format().map_err(unreadable)?;
        if reader.format().is_none() {
            return Err(unknown_format());
        }
        let (width, height) = reader.into_dimensions().map_err(unreadable)?;
        check_size(width, height)
    }

    /// Decodes JPEG, PNG, TIFF or WebP bytes (with the feature `heic` HEIC too) and turns the picture upright.
    ///
    /// # Errors
    /// A refusal if the bytes are no such picture, are cut short, or hold too few or too many pixels.
    pub fn decode(bytes: &[u8]) -> Result<Self, Refusal> {
        if let Some(held) = heif::held(bytes) {
            #[cfg(feature = "heic")]
            if held == heif::Held::Heic {
                let (width, height) = heif::size(bytes)?;
                check_size(width, height)?;
                let (rgb, orientation) = heif::decode(bytes, MAX_PIXELS)?;
                check_size(rgb.width(), rgb.height())?;
                return Ok(Self { rgb, taken: Taken { orientation, ..read_exif(bytes) } });
            }
            return Err(heif::not_read(held));
        }
        let reader = ImageReader::new(Cursor::new(bytes)).with_guessed_format().map_err(unreadable)?;
        if reader.format().is_none() {
            return Err(unknown_format());
        }
        if reader.format() == Some(ImageFormat::Jpeg) && !jpeg_is_whole(bytes) {
            return Err(unreadable("it ends in the middle of the picture"));
        }
        let mut decoder = reader.into_decoder().map_err(unreadable)?;
        let (width, height) = decoder.dimensions();
        check_size(width, height)?;
        let orientation = decoder.orientation().unwrap_or(Orientation::NoTransforms);
        let mut picture = DynamicImage::from_decoder(decoder).map_err(unreadable)?;
        picture.apply_orientation(orientation);
        let taken = Taken { orientation: orientation.to_exif(), ..read_exif(bytes) };
        Ok(Self { rgb: picture.into_rgb8(), taken })
    }

    /// A photo from pixels already upright, with nothing known of the camera.
    pub fn from_rgb(rgb: RgbImage) -> Self {
        Self { rgb, taken: Taken::default() }
    }

    /// Width in pixels.
    pub fn width(&self) -> u32 {
        self.rgb.width()
    }

    /// Height in pixels.
    pub fn height(&self) -> u32 {
        self.rgb.height()
    }

    /// Bilinear gamma values between pixels; the border's pixel outside the photo.
    pub(crate) fn colour_at(&self, at: ImagePoint) -> [f32; 3] {
        let (w, h) = self.rgb.dimensions();
        let x = at.x.clamp(0.0, f64::from(w - 1) - 0.001);
        let y = at.y.clamp(0.0, f64::from(h - 1) - 0.001);
        let (x, y) = if x.is_finite() && y.is_finite() { (x, y) } else { (0.0, 0.0) };
        let (column, row) = (x as usize, y as usize);
        let (fx, fy) = ((x - column as f64) as f32, (y - row as f64) as f32);
        let raw = self.rgb.as_raw();
        let stride = 3 * w as usize;
        let base = row * stride + 3 * column;
        let rows = (raw.get(base..base + 6), raw.get(base + stride..base + stride + 6));
        let (Some(top), Some(low)) = rows else { return [0.0; 3] };
        std::array::from_fn(|c| {
            let (a, b) = (f32::from(top[c]), f32::from(low[c]));
            let (a, b) = (a + (f32::from(top[c + 3]) - a) * fx, b + (f32::from(low[c + 3]) - b) * fx);
            a + (b - a) * fy
        })
    }

    /// Bilinear brightness (a quarter red, half green, a quarter blue; gamma values); `None` beyond the photo.
    pub(crate) fn grey_at(&self, at: ImagePoint) -> Option<f32> {
        let (w, h) = self.rgb.dimensions();
        // Written so that a NaN is beyond.
        if !(at.x >= 0.0 && at.y >= 0.0 && at.x < f64::from(w) - 1.0 && at.y < f64::from(h) - 1.0) {
            return None;
        }
        let (column, row) = (at.x as usize, at.y as usize);
        let (fx, fy) = ((at.x - column as f64) as f32, (at.y - row as f64) as f32);
        let stride = 3 * w as usize;
        let base = row * stride + 3 * column;
        let raw = self.rgb.as_raw();
        let (top, low) = (raw.get(base..base + 6)?, raw.get(base + stride..base + stride + 6)?);
        let grey = |v: &[u8]| (u32::from(v[0]) + 2 * u32::from(v[1]) + u32::from(v[2])) as f32;
        let across = |v: &[u8]| grey(&v[..3]) + (grey(&v[3..]) - grey(&v[..3])) * fx;
        Some(0.25 * (across(top) + (across(low) - across(top)) * fy))
    }

    /// Focal length in pixels by the 35 mm equivalent (diagonal rule); a starting value, 1-4 % off.
    pub fn focal_px(&self) -> Option<f64> {
        let f35 = self.taken.focal_35mm.filter(|f| (4.0..2000.0).contains(f))?;
        Some(f35 * f64::from(self.width()).hypot(f64::from(self.height())) / FULL_FRAME_DIAGONAL_MM)
    }

    /// Brightness (integer luma of Rec. 601 weights), for finding lines.
    pub fn luma(&self) -> GrayImage {
        let (width, height) = self.rgb.dimensions();
        let mut grey = vec![0u8; width as usize * height as usize];
        let rows = grey.par_chunks_mut(width as usize).zip(self.rgb.as_raw().par_chunks(3 * width as usize));
        rows.for_each(|(out, row)| {
            let (eights, rest) = row.as_chunks::<24>();
            let (to_eights, to_rest) = out.as_chunks_mut::<8>();
            eights.iter().zip(to_eights).for_each(|(eight, to)| *to = luma_of_eight(eight));
            for (to, rgb) in to_rest.iter_mut().zip(rest.chunks_exact(3)) {
                let [red, green, blue] = LUMA_WEIGHTS;
                let sum = red * u64::from(rgb[0]) + green * u64::from(rgb[1]) + blue * u64::from(rgb[2]);
                *to = (sum >> 8) as u8;
            }
        });
        GrayImage::from_raw(width, height, grey).unwrap_or_default()
    }
}

/// 256ths of red, green and blue.
const LUMA_WEIGHTS: [u64; 3] = [77, 150, 29];

/// The brightness of eight pixels, two at a time: their channels lie 24 bits apart in one number.
fn luma_of_eight(pixels: &[u8; 24]) -> [u8; 8] {
    const CHANNEL: u64 = 0xff00_00ff;
    let (words, _) = pixels.as_chunks::<8>();
    let [a, b, c] = [words[0], words[1], words[2]].map(u64::from_le_bytes);
    let two = |pixels: u64| {
        let [red, green, blue] = LUMA_WEIGHTS;
        let channel = |n: u32| (pixels >> (8 * n)) & CHANNEL;
        let sums = red * channel(0) + green * channel(1) + blue * channel(2);
        (sums >> 8) & 0xff | (sums >> 24) & 0xff00
    };
    let pairs = [two(a), two(a >> 48 | b << 16), two(b >> 32 | c << 32), two(c >> 16)];
    (pairs[0] | pairs[1] << 16 | pairs[2] << 32 | pairs[3] << 48).to_le_bytes()
}

/// Does the JPEG's picture come to its end? A decoder fills what is missing with grey, and grey has no true outline.
///
/// Walks the segments (ITU-T T.81, annex B) to the first scan, then looks for the end marker: within coded data an
/// 0xFF byte is never followed by 0xD9.
fn jpeg_is_whole(bytes: &[u8]) -> bool {
    let mut at = 2;
    loop {
        let Some([0xFF, marker]) = bytes.get(at..at + 2) else { return false };
        match *marker {
            // Fill bytes before a marker.
            0xFF => at += 1,
            0xDA => return bytes[at..].windows(2).any(|pair| pair == [0xFF, 0xD9]),
            _ => {
                let Some([high, low]) = bytes.get(at + 2..at + 4) else { return false };
                at += 2 + usize::from(u16::from_be_bytes([*high, *low]));
            }
        }
    }
}

fn check_size(width: u32, height: u32) -> Result<(), Refusal> {
    if width < MIN_SIDE_PX || height < MIN_SIDE_PX {
        return Err(Refusal::new(
            RefusalKind::PhotoSize,
            format!("the photo is only {width} x {height} pixels"),
            "use the original photo as the camera took it (8 megapixels or more), not a thumbnail",
        ));
    }
    if u64::from(width) * u64::from(height) > MAX_PIXELS {
        return Err(Refusal::new(
            RefusalKind::PhotoSize,
            format!("the photo claims {width} x {height} pixels, more than {} megapixels", MAX_PIXELS / 1_000_000),
            "use the camera's ordinary setting (12 to 48 megapixels)",
        ));
    }
    Ok(())
}

fn unreadable(error: impl std::fmt::Display) -> Refusal {
    Refusal::new(
        RefusalKind::UnreadablePhoto,
        format!("the photo could not be decoded ({error})"),
        "the file is damaged or cut short: copy it from the camera or phone again",
    )
}

fn unknown_format() -> Refusal {
    Refusal::new(
        RefusalKind::UnreadablePhoto,
        "the file is not a picture, whatever its name says",
        "give a JPEG, PNG, TIFF or WebP photo",
    )
}

fn read_exif(bytes: &[u8]) -> Taken {
    use exif::{In, Tag, Value};
    // What some writers leave out (the link to a next directory) must not cost the rest.
    let mut reader = exif::Reader::new();
    reader.continue_on_error(true);
    let read = reader.read_from_container(&mut Cursor::new(bytes));
    let Ok(exif) = read.or_else(|error| error.distill_partial_result(|_| {})) else {
        return Taken::default();
    };
    let number = |tag| -> Option<f64> {
        let value = &exif.get_field(tag, In::PRIMARY)?.value;
        let x = match value {
            Value::Rational(v) => v.first()?.to_f64(),
            other => f64::from(other.get_uint(0)?),
        };
        (x.is_finite() && x > 0.0).then_some(x)
    };
    let text = |tag| -> Option<String> {
        match &exif.get_field(tag, In::PRIMARY)?.value {
            Value::Ascii(v) => Some(String::from_utf8_lossy(v.first()?).trim().to_string()).filter(|t| !t.is_empty()),
            _ => None,
        }
    };
    Taken {
        make: text(Tag::Make),
        model: text(Tag::Model),
        lens: text(Tag::LensModel),
        focal_mm: number(Tag::FocalLength),
        focal_35mm: number(Tag::FocalLengthIn35mmFilm),
        orientation: 0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(name: &str) -> Vec<u8> {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos");
        std::fs::read(folder.join(name)).unwrap()
    }

    #[test]
    fn brightness_is_the_weighted_sum_whatever_the_width() {
        let rgb =
            RgbImage::from_fn(21, 3, |x, y| image::Rgb([(91 * x + y) as u8, (53 * x * y) as u8, 255 - 7 * x as u8]));
        let luma = Photo::from_rgb(rgb.clone()).luma();
        for (grey, of) in luma.pixels().zip(rgb.pixels()) {
            let [red, green, blue] = of.0.map(u32::from);
            assert_eq!(u32::from(grey[0]), (77 * red + 150 * green + 29 * blue) / 256);
        }
    }

    #[test]
    fn exif_gives_the_focal_length_and_turns_the_photo_upright() {
        let photo = Photo::decode(&sample("01-tee-green-inch.jpg")).unwrap();
        assert_eq!((photo.width(), photo.height()), (3024, 4032));
        // 26 mm on a 4:3 picture of 12 MP, by the diagonal (CIPA DCG-001): 3028.663 px.
        assert!((photo.focal_px().unwrap() - 3028.663).abs() < 0.01);
        assert_eq!(photo.taken.model.as_deref(), Some("Clothline sample camera"));
        // Stored lying down with orientation 6.
        let turned = Photo::decode(&sample("06-sleeve-cluttered-table.jpg")).unwrap();
        assert!(turned.height() > turned.width());
        // Sent without EXIF.
        assert_eq!(Photo::decode(&sample("07-poncho-heather-covers-mat.jpg")).unwrap().focal_px(), None);
    }
}
