//! HEIC photos, as iPhones take them: told by their box of brands (ISO/IEC 14496-12, `ftyp`), decoded where the feature
//! `heic` is built in, else refused with how to get a JPEG.
//!
//! Turns and mirrors are those of the container (ISO/IEC 23008-12, `irot` and `imir`); EXIF's own orientation does not count
//! there. The decoder puts half-size colour samples on even rows and columns, as it says phones that write HEIC do; where a
//! writer centres them instead (libheif does), colours come out half a pixel aside, which moved outlines by 0.1 mm at most.

use crate::refusal::{Refusal, RefusalKind};

/// How to get a JPEG from a phone or computer that shows the picture.
const TO_JPEG: &str = "make a JPEG of it: on an iPhone open it in Photos, tap Share, then Options at the top, choose Most \
                       Compatible and save or send it (for photos to come: Settings, Camera, Formats, Most Compatible); on a \
                       Mac open it and choose File, Export, JPEG; on other phones set the camera to JPEG";

/// What a file with a box of brands holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Held {
    /// A picture coded as HEVC, or one that does not say.
    Heic,
    /// A picture coded as AV1.
    Avif,
    /// A film, such as that of a live photo.
    Film,
}

/// Looks at the head of a file; `None` if it has no box of brands.
pub(super) fn held(bytes: &[u8]) -> Option<Held> {
    if bytes.get(4..8) != Some(b"ftyp") {
        return None;
    }
    let length = u32::from_be_bytes(bytes.get(..4)?.try_into().ok()?) as usize;
    let brands = bytes.get(8..length.clamp(12, 256).min(bytes.len())).unwrap_or_default();
    // The second four bytes are a version.
    let named = |some: &[&[u8]]| brands.chunks_exact(4).enumerate().any(|(k, b)| k != 1 && some.contains(&b));
    Some(match () {
        () if named(&[b"heic", b"heix", b"heim", b"heis"]) => Held::Heic,
        () if named(&[b"avif", b"avis"]) => Held::Avif,
        () if named(&[b"mif1", b"mif2", b"msf1", b"hevc"]) => Held::Heic,
        () => Held::Film,
    })
}

/// Why what is held cannot be read here, and what to do.
pub(super) fn not_read(held: Held) -> Refusal {
    let (seen, advice) = match held {
        Held::Heic if cfg!(feature = "heic") => return damaged("it is no HEIC picture of the usual kind"),
        Held::Heic => (
            "this is a HEIC picture, as iPhones take them, which this program was built without a reader for",
            format!("{TO_JPEG}; or build it with its reader: cargo build --release --features heic"),
        ),
        Held::Avif => ("this is an AVIF picture, which cannot be read here", TO_JPEG.to_string()),
        Held::Film => ("this is a film, not a photo", "give the photo itself, as JPEG".to_string()),
    };
    Refusal::new(RefusalKind::UnreadablePhoto, seen, advice)
}

fn damaged(why: impl std::fmt::Display) -> Refusal {
    Refusal::new(
        RefusalKind::UnreadablePhoto,
        format!("the HEIC photo could not be decoded ({why})"),
        format!("if it is damaged or cut short, copy it from the phone again; else {TO_JPEG}"),
    )
}

/// Width and height of the picture as stored.
#[cfg(feature = "heic")]
pub(super) fn size(bytes: &[u8]) -> Result<(u32, u32), Refusal> {
    let file = heifer::heifer_isobmff::HeifFile::parse(bytes).map_err(damaged)?;
    let size = file.image_size(file.primary_id).map_err(damaged)?;
    size.ok_or_else(|| damaged("it does not say its size"))
}

/// The upright picture, and the EXIF orientation (1 to 8) that would have turned it so.
///
/// # Errors
/// A file that is cut short, damaged, too large, or of a kind that is not read.
#[cfg(feature = "heic")]
pub(super) fn decode(bytes: &[u8], max_pixels: u64) -> Result<(image::RgbImage, u8), Refusal> {
    let options = heifer::Options { max_threads: 0, max_pixels };
    let picture = heifer::decode_rgba8(bytes, &options).map_err(damaged)?;
    let (width, height) = (picture.width, picture.height);
    let rgb: Vec<u8> = picture.data.chunks_exact(4).flat_map(|rgba| [rgba[0], rgba[1], rgba[2]]).collect();
    let rgb = image::RgbImage::from_raw(width, height, rgb).ok_or_else(|| damaged("its rows are not whole"))?;
    Ok((rgb, orientation(bytes).unwrap_or(0)))
}

/// The container's turns and mirrors as one EXIF orientation.
#[cfg(feature = "heic")]
fn orientation(bytes: &[u8]) -> Option<u8> {
    use heifer::heifer_isobmff::HeifFile;
    use heifer::heifer_isobmff::boxes::Property;
    let file = HeifFile::parse(bytes).ok()?;
    let mut all = file.item_properties(file.primary_id).ok()?.filter_map(|p| match p {
        Property::Rotation(quarters) => Some(*quarters % 4),
        // A mirrored picture is of no camera that a profile could be of.
        Property::Mirror(_) => Some(4),
        _ => None,
    });
    match (all.next(), all.next()) {
        (None, _) => Some(1),
        // Turned anticlockwise by so many quarters; EXIF 6 is a quarter clockwise, 8 anticlockwise (EXIF 2.3, table 6).
        (Some(quarters @ 0..=3), None) => Some([1, 8, 3, 6][usize::from(quarters)]),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn brands(text: &[u8]) -> Vec<u8> {
        let mut bytes = (text.len() as u32 + 8).to_be_bytes().to_vec();
        bytes.extend_from_slice(b"ftyp");
        bytes.extend_from_slice(text);
        bytes.extend_from_slice(b"\0\0\0\x08free");
        bytes
    }

    /// Brands as registered at mp4ra.org (from memory).
    #[test]
    fn brands_tell_pictures_from_films() {
        for (text, what) in [
            (b"heic\0\0\0\0mif1heic".as_slice(), Held::Heic),
            (b"mif1\0\0\0\0mif1heic", Held::Heic),
            (b"avif\0\0\0\0avifmif1miaf", Held::Avif),
            (b"mif1\0\0\0\0avifmif1", Held::Avif),
            (b"qt  \0\0\0\0qt  ", Held::Film),
            (b"mp42\0\0\0\0mp41isom", Held::Film),
            // A version that happens to spell a brand is none.
            (b"isomheicisom", Held::Film),
        ] {
            assert_eq!(held(&brands(text)), Some(what), "{}", String::from_utf8_lossy(text));
        }
        assert_eq!(held(b"\xFF\xD8\xFF\xE0\0\x10JFIF"), None);
        assert_eq!(held(b""), None);
        assert_eq!(held(b"\0\0\0\x18ftyp"), Some(Held::Film));
    }
}
