//! Drawings to PDF bytes.

use std::collections::BTreeMap;

use kurbo::{BezPath, PathEl, Rect, Shape, Vec2};
use pdf_writer::types::{CidFontType, FontFlags, SystemInfo, UnicodeCmap};
use pdf_writer::{Content, Filter, Finish, Name, Pdf, Ref, Str, TextStr};
use subsetter::GlyphRemapper;
use ttf_parser::Face;

use super::super::drawing::{Anchor, Drawing, Drawn, Group, Layer, Mark, Pen};
use super::super::font;
use super::PT_PER_MM;

const FONT: Name<'static> = Name(b"F1");
const SYSTEM: SystemInfo<'static> = SystemInfo { registry: Str(b"Adobe"), ordering: Str(b"Identity"), supplement: 0 };

/// One page.
pub(super) struct Page<'a> {
    pub width_mm: f64,
    pub height_mm: f64,
    pub parts: Vec<Part<'a>>,
}

/// A drawing put on a page.
pub(super) struct Part<'a> {
    pub drawing: &'a Drawing,
    /// From drawing to page, mm.
    pub shift: Vec2,
    /// On the page, mm; nothing is drawn outside.
    pub clip: Option<Rect>,
}

/// Object numbers, handed out in order so that the same pattern always gives the same bytes.
struct Numbers(i32);

impl Numbers {
    fn next(&mut self) -> Ref {
        self.0 += 1;
        Ref::new(self.0)
    }
}

/// Glyphs used, and how the file's own font numbers them.
struct Glyphs {
    face: Option<Face<'static>>,
    remapper: GlyphRemapper,
    /// New glyph number to the character it stands for.
    characters: BTreeMap<u16, char>,
}

impl Glyphs {
    /// The text as two-byte glyph numbers.
    fn encode(&mut self, text: &str) -> Vec<u8> {
        let Some(face) = &self.face else { return Vec::new() };
        let mut bytes = Vec::with_capacity(2 * text.len());
        for c in text.chars() {
            let new = self.remapper.remap(font::glyph(face, c).0);
            self.characters.entry(new).or_insert(c);
            bytes.extend(new.to_be_bytes());
        }
        bytes
    }
}

/// Optional-content groups of a file: what lines are for, variations, pieces (ISO 32000-1, 8.11).
struct Shown<'a> {
    layers: Vec<(Layer, Ref)>,
    variations: Vec<(&'a str, Ref)>,
    pieces: Vec<(&'a Group, Ref)>,
}

impl<'a> Shown<'a> {
    fn new(groups: &'a [Group], numbers: &mut Numbers) -> Self {
        let layers = Layer::ALL.into_iter().map(|l| (l, numbers.next())).collect();
        let mut variations: Vec<(&str, Ref)> = Vec::new();
        for name in groups.iter().filter_map(|g| g.variation.as_deref()) {
            if variations.iter().all(|(known, _)| *known != name) {
                variations.push((name, numbers.next()));
            }
        }
        let pieces = groups.iter().map(|g| (g, numbers.next())).collect();
        Self { layers, variations, pieces }
    }

    /// Every group with the name it has in page resources and for people.
    fn all(&self) -> Vec<(String, String, Ref)> {
        let layers = self.layers.iter().map(|(l, id)| (l.id().to_string(), l.title().to_string(), *id));
        let variations =
            self.variations.iter().enumerate().map(|(i, (n, id))| (format!("v{i}"), (*n).to_string(), *id));
        let pieces = self.pieces.iter().enumerate().map(|(i, (g, id))| (format!("p{i}"), g.name.clone(), *id));
        layers.chain(variations).chain(pieces).collect()
    }

    /// Resource names of the groups a thing shows on, outermost first.
    fn names_of(&self, drawn: &Drawn) -> Vec<String> {
        let mut names = Vec::new();
        if let Some((index, (group, _))) = drawn.group.and_then(|i| self.pieces.get(i).map(|p| (i, p))) {
            let variation = group.variation.as_deref();
            names.extend(self.variations.iter().position(|(n, _)| Some(*n) == variation).map(|i| format!("v{i}")));
            names.push(format!("p{index}"));
        }
        names.push(drawn.layer.id().to_string());
        names
    }
}

/// Writes pages as a PDF file; `groups` are the pieces' own layers.
pub(super) fn write(title: &str, pages: &[Page<'_>], groups: &[Group]) -> Vec<u8> {
    let mut numbers = Numbers(0);
    let mut pdf = Pdf::new();
    pdf.set_version(1, 7);
    let (catalog, tree, info, font_id) = (numbers.next(), numbers.next(), numbers.next(), numbers.next());
    let shown = Shown::new(groups, &mut numbers);
    let mut glyphs = Glyphs { face: font::face(), remapper: GlyphRemapper::new(), characters: BTreeMap::new() };
    let page_ids: Vec<Ref> = pages.iter().map(|_| numbers.next()).collect();
    for (page, id) in pages.iter().zip(&page_ids) {
        let content_id = numbers.next();
        let packed = compress(&content(page, &shown, &mut glyphs));
        pdf.stream(content_id, &packed).filter(Filter::FlateDecode);
        let mut object = pdf.page(*id);
        let (wide, high) = (points(page.width_mm), points(page.height_mm));
        object.parent(tree).media_box(pdf_writer::Rect::new(0.0, 0.0, wide, high)).contents(content_id);
        let mut resources = object.resources();
        resources.fonts().pair(FONT, font_id);
        let mut properties = resources.insert(Name(b"Properties")).dict();
        for (name, _, id) in shown.all() {
            properties.pair(Name(name.as_bytes()), id);
        }
    }
    pdf.pages(tree).kids(page_ids).count(i32::try_from(pages.len()).unwrap_or(i32::MAX));
    write_catalog(&mut pdf, catalog, tree, &shown);
    pdf.document_info(info).title(TextStr(title)).producer(TextStr("Clothline"));
    write_font(&mut pdf, &mut numbers, font_id, &glyphs);
    pdf.finish()
}

/// Catalogue with print scaling off and the layers listed (ISO 32000-1, 12.2 and 8.11).
fn write_catalog(pdf: &mut Pdf, id: Ref, tree: Ref, shown: &Shown<'_>) {
    let all = shown.all();
    let ids = all.iter().map(|(_, _, id)| *id);
    let mut catalog = pdf.catalog(id);
    catalog.pages(tree);
    catalog.viewer_preferences().pair(Name(b"PrintScaling"), Name(b"None"));
    let mut groups = catalog.insert(Name(b"OCProperties")).dict();
    groups.insert(Name(b"OCGs")).array().items(ids.clone());
    let mut default = groups.insert(Name(b"D")).dict();
    let mut order = default.insert(Name(b"Order")).array();
    order.items(shown.layers.iter().map(|(_, id)| *id));
    order.items(shown.pieces.iter().filter(|(g, _)| g.variation.is_none()).map(|(_, id)| *id));
    for (name, id) in &shown.variations {
        // A variation's pieces are listed under it (8.11.4.3).
        order.item(*id);
        let own = shown.pieces.iter().filter(|(g, _)| g.variation.as_deref() == Some(*name));
        order.push().array().items(own.map(|(_, id)| *id));
    }
    order.finish();
    default.insert(Name(b"ON")).array().items(ids);
    default.finish();
    groups.finish();
    catalog.finish();
    for (_, title, id) in &all {
        pdf.indirect(*id).dict().pair(Name(b"Type"), Name(b"OCG")).pair(Name(b"Name"), TextStr(title));
    }
}

/// A page side in points, a thousandth short rather than over: renderers round pages up to whole pixels.
fn points(mm: f64) -> f32 {
    ((1000.0 * mm * PT_PER_MM).floor() / 1000.0) as f32
}

fn compress(bytes: &[u8]) -> Vec<u8> {
    miniz_oxide::deflate::compress_to_vec_zlib(bytes, 6)
}

/// The page's drawing operators; one user unit is a millimetre, y down.
fn content(page: &Page<'_>, shown: &Shown<'_>, glyphs: &mut Glyphs) -> Vec<u8> {
    let mut content = Content::new();
    let k = PT_PER_MM as f32;
    content.transform([k, 0.0, 0.0, -k, 0.0, points(page.height_mm)]);
    // Round joins: a mitred stroke would draw a sharp corner longer than it is.
    content.set_line_join(pdf_writer::types::LineJoinStyle::RoundJoin);
    for part in &page.parts {
        content.save_state();
        if let Some(clip) = part.clip {
            content.rect(clip.x0 as f32, clip.y0 as f32, clip.width() as f32, clip.height() as f32);
            content.clip_nonzero().end_path();
        }
        for layer in Layer::ALL {
            let of_layer: Vec<&Drawn> =
                part.drawing.marks.iter().filter(|d| d.layer == layer && shows(&d.mark, part)).collect();
            for run in of_layer.chunk_by(|a, b| a.group == b.group) {
                let names = run.first().map(|d| shown.names_of(d)).unwrap_or_default();
                for name in &names {
                    content.begin_marked_content_with_properties(Name(b"OC")).properties_named(Name(name.as_bytes()));
                }
                for drawn in run {
                    draw(&mut content, &drawn.mark, part.shift, glyphs);
                }
                for _ in &names {
                    content.end_marked_content();
                }
            }
        }
        content.restore_state();
    }
    content.finish().into_vec()
}

/// Could any of this be seen through the clip?
fn shows(mark: &Mark, part: &Part<'_>) -> bool {
    let Some(clip) = part.clip else { return true };
    let bounds = match mark {
        Mark::Stroke(path, pen) => path.bounding_box().inset(pen.width_mm),
        Mark::Fill(path, _) => path.bounding_box(),
        Mark::Text { at, size_mm, text, .. } => {
            let reach = font::width_mm(text, *size_mm) + size_mm;
            Rect::from_center_size(*at, (2.0 * reach, 2.0 * reach))
        }
    };
    let placed = bounds + part.shift;
    placed.x0 <= clip.x1 && placed.x1 >= clip.x0 && placed.y0 <= clip.y1 && placed.y1 >= clip.y0
}

fn draw(content: &mut Content, mark: &Mark, shift: Vec2, glyphs: &mut Glyphs) {
    match mark {
        Mark::Stroke(path, pen) => {
            set_pen(content, pen);
            trace(content, path, shift);
            content.stroke();
        }
        Mark::Fill(path, rgb) => {
            let [r, g, b] = shares(*rgb);
            content.set_fill_rgb(r, g, b);
            trace(content, path, shift);
            content.fill_nonzero();
        }
        Mark::Text { at, along, size_mm, anchor, rgb, text } => {
            let [r, g, b] = shares(*rgb);
            content.set_fill_rgb(r, g, b);
            let back = match anchor {
                Anchor::Start => 0.0,
                Anchor::Middle => 0.5 * font::width_mm(text, *size_mm),
            };
            let at = *at + shift - *along * back;
            let (x, y) = (along.x as f32, along.y as f32);
            content.begin_text().set_font(FONT, *size_mm as f32);
            // The page is y down, so letters are turned over again.
            content.set_text_matrix([x, y, y, -x, at.x as f32, at.y as f32]);
            content.show(Str(&glyphs.encode(text))).end_text();
        }
    }
}

fn set_pen(content: &mut Content, pen: &Pen) {
    let [r, g, b] = shares(pen.rgb);
    content.set_stroke_rgb(r, g, b).set_line_width(pen.width_mm as f32);
    content.set_dash_pattern(pen.dashes_mm.iter().map(|d| *d as f32), 0.0);
}

fn shares(rgb: [u8; 3]) -> [f32; 3] {
    rgb.map(|c| f32::from(c) / 255.0)
}

fn trace(content: &mut Content, path: &BezPath, shift: Vec2) {
    let at = |p: &kurbo::Point| ((p.x + shift.x) as f32, (p.y + shift.y) as f32);
    let mut last = kurbo::Point::ORIGIN;
    for element in path.elements() {
        match element {
            PathEl::MoveTo(p) => content.move_to(at(p).0, at(p).1),
            PathEl::LineTo(p) => content.line_to(at(p).0, at(p).1),
            PathEl::QuadTo(p, q) => {
                let c = kurbo::QuadBez::new(last, *p, *q).raise();
                content.cubic_to(at(&c.p1).0, at(&c.p1).1, at(&c.p2).0, at(&c.p2).1, at(q).0, at(q).1)
            }
            PathEl::CurveTo(p, q, r) => content.cubic_to(at(p).0, at(p).1, at(q).0, at(q).1, at(r).0, at(r).1),
            PathEl::ClosePath => content.close_path(),
        };
        last = element.end_point().unwrap_or(last);
    }
}

/// The typeface, only the letters used, embedded.
fn write_font(pdf: &mut Pdf, numbers: &mut Numbers, id: Ref, glyphs: &Glyphs) {
    let Some(face) = &glyphs.face else { return };
    let (cid, descriptor, file, unicode) = (numbers.next(), numbers.next(), numbers.next(), numbers.next());
    let base = format!("CLTHLN+{}", font::NAME);
    let base = Name(base.as_bytes());
    pdf.type0_font(id)
        .base_font(base)
        .encoding_predefined(Name(b"Identity-H"))
        .descendant_font(cid)
        .to_unicode(unicode);
    let per_mille = |units: f64| (1000.0 * units / f64::from(face.units_per_em())) as f32;
    let mut object = pdf.cid_font(cid);
    object.subtype(CidFontType::Type2).base_font(base).system_info(SYSTEM).font_descriptor(descriptor);
    object.default_width(0.0).cid_to_gid_map_predefined(Name(b"Identity"));
    let widths = glyphs
        .remapper
        .remapped_gids()
        .map(|old| per_mille(f64::from(face.glyph_hor_advance(ttf_parser::GlyphId(old)).unwrap_or(0))));
    object.widths().consecutive(0, widths);
    object.finish();
    let bounds = face.global_bounding_box();
    let corner = |v: i16| per_mille(f64::from(v));
    pdf.font_descriptor(descriptor)
        .name(base)
        .flags(FontFlags::NON_SYMBOLIC)
        .bbox(pdf_writer::Rect::new(
            corner(bounds.x_min),
            corner(bounds.y_min),
            corner(bounds.x_max),
            corner(bounds.y_max),
        ))
        .italic_angle(0.0)
        .ascent(corner(face.ascender()))
        .descent(corner(face.descender()))
        .cap_height(corner(face.capital_height().unwrap_or(face.ascender())))
        .stem_v(60.0)
        .font_file2(file);
    // A font that cannot be cut down is carried whole; its glyph numbers would differ, but the file is our own.
    let data = subsetter::subset(font::DATA, 0, &glyphs.remapper).unwrap_or_else(|_| font::DATA.to_vec());
    pdf.stream(file, &compress(&data)).filter(Filter::FlateDecode).pair(Name(b"Length1"), data.len() as i32);
    let mut cmap = UnicodeCmap::new(Name(b"Clothline"), SYSTEM);
    for (glyph, c) in &glyphs.characters {
        cmap.pair(*glyph, *c);
    }
    pdf.cmap(unicode, &cmap.finish());
}
