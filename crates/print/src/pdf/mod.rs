//! Vector PDF: labels, with fonts and unchanging art once, then page after page;
//! and the pages of reports.

mod content;
mod file;
mod paper;

use std::io::{self, Write};
use std::sync::Arc;

use flate2::Compression;
use flate2::write::ZlibEncoder;
use pdf_writer::types::{CidFontType, FontFlags, SystemInfo, UnicodeCmap};
use pdf_writer::{Content, Filter, Finish, Name, Ref, Str};

pub(crate) use paper::write_pages;

use crate::art::{Art, Picture};
use crate::fonts::Face;
use crate::label::{INCH_MM, Proven};
use crate::pdf::content::{Names, face_name, form_name};
use crate::pdf::file::{File, chunk};
use crate::sheet::Sheet;
use crate::template::Template;
use crate::template::compile::{Program, Step, decode_png};

/// Points in a millimetre.
const POINT_PER_MM: f32 = 72.0 / INCH_MM;

/// Compression of page content: beyond this level a page shrinks by a hundredth and takes twice as long.
const LEVEL: u32 = 4;

/// A PDF of labels that is written page by page.
pub struct Book<W: Write> {
    file: File<W>,
    resources: Ref,
    page_mm: (f32, f32),
    title: String,
}

/// A page's content, compressed; made on any core.
pub struct Page(Vec<u8>);

/// Composes a page of labels, each at its corner in millimetres from the top left.
pub fn compose(page_mm: (f32, f32), labels: &[((f32, f32), &Proven<'_>, bool)]) -> io::Result<Page> {
    let mut content = Content::with_capacity(4096 * labels.len().max(1));
    content.transform([POINT_PER_MM, 0.0, 0.0, -POINT_PER_MM, 0.0, page_mm.1 * POINT_PER_MM]);
    for ((x, y), label, test) in labels {
        content.save_state().transform([1.0, 0.0, 0.0, 1.0, *x, *y]);
        content::label(&mut content, &label.laid, *test);
        content.restore_state();
    }
    deflate(&content.finish()).map(Page)
}

fn deflate(octets: &[u8]) -> io::Result<Vec<u8>> {
    let mut encoder = ZlibEncoder::new(Vec::with_capacity(octets.len() / 2), Compression::new(LEVEL));
    encoder.write_all(octets)?;
    encoder.finish()
}

impl<W: Write> Book<W> {
    /// Starts a PDF for labels of one template: writes its fonts, pictures and
    /// unchanging art.
    ///
    /// # Errors
    ///
    /// Where `out` can't be written.
    pub fn start(out: W, template: &Template, sheet: &Sheet, title: &str) -> io::Result<Self> {
        let mut file = File::start(out)?;
        let programs = [(false, template.program(false)), (true, template.program(true))];

        let mut fonts = Vec::new();
        for face in Face::ALL {
            if programs.iter().any(|(_, program)| uses(program, face)) {
                fonts.push((face, write_font(&mut file, face)?));
            }
        }
        // Both kinds of product show mostly the same pictures: each goes in once.
        let mut pictures: Vec<Embedded> = Vec::new();
        for (_, program) in &programs {
            let mut found = Vec::new();
            walk(program, &mut |art| {
                if let Art::Picture(picture) = art {
                    found.push(Arc::clone(&picture.file));
                }
            });
            for png in found {
                if pictures.iter().all(|known| known.file != png) {
                    let id = write_picture(&mut file, &png)?;
                    let name = format!("I{}", pictures.len());
                    pictures.push(Embedded { file: png, name, id });
                }
            }
        }

        // What the unchanging art may refer to; pages refer to that art besides.
        let art_resources = file.reserve();
        let mut one = chunk();
        let mut dict: pdf_writer::writers::Resources<'_> = one.indirect(art_resources).start();
        dict.fonts().pairs(fonts.iter().map(|(face, id)| (Name(face_name(*face)), *id)));
        dict.x_objects().pairs(pictures.iter().map(|p| (Name(p.name.as_bytes()), p.id)));
        dict.finish();
        file.object(art_resources, &one)?;

        let picture_name = |picture: &Picture| pictures.iter().find(|p| p.file == picture.file).map(|p| p.name.clone());
        let names = Names { picture: &picture_name };
        let mut forms = Vec::new();
        for (test, program) in programs {
            for (i, step) in program.steps.iter().enumerate() {
                let Step::Still(art) = step else { continue };
                let mut content = Content::new();
                content::still(&mut content, art, &names);
                let id = file.reserve();
                let octets = deflate(&content.finish())?;
                let mut one = chunk();
                let mut form = one.form_xobject(id, &octets);
                form.filter(Filter::FlateDecode);
                form.bbox(pdf_writer::Rect::new(0.0, 0.0, program.size_mm.0, program.size_mm.1));
                form.pair(Name(b"Resources"), art_resources);
                form.finish();
                file.object(id, &one)?;
                forms.push((form_name(test, i), id));
            }
        }

        let resources = file.reserve();
        let mut one = chunk();
        let mut dict: pdf_writer::writers::Resources<'_> = one.indirect(resources).start();
        dict.fonts().pairs(fonts.iter().map(|(face, id)| (Name(face_name(*face)), *id)));
        dict.x_objects().pairs(forms.iter().map(|(name, id)| (Name(name.as_bytes()), *id)));
        dict.finish();
        file.object(resources, &one)?;
        Ok(Self { file, resources, page_mm: sheet.page_mm, title: title.to_owned() })
    }

    /// Writes a page.
    ///
    /// # Errors
    ///
    /// Where the file can't be written.
    pub fn page(&mut self, page: &Page) -> io::Result<()> {
        let (width, height) = self.page_mm;
        self.file.page(width * POINT_PER_MM, height * POINT_PER_MM, self.resources, &page.0)
    }

    /// Pages written so far.
    pub fn pages(&self) -> u64 {
        self.file.pages()
    }

    /// Writes the end of the file.
    ///
    /// # Errors
    ///
    /// Where the file can't be written.
    pub fn finish(self) -> io::Result<W> {
        self.file.finish(&self.title, true)
    }
}

/// A picture in the file.
struct Embedded {
    file: Arc<Vec<u8>>,
    name: String,
    id: Ref,
}

fn walk(program: &Program, see: &mut dyn FnMut(&Art)) {
    fn all(art: &[Art], see: &mut dyn FnMut(&Art)) {
        for item in art {
            see(item);
            if let Art::Clip(clip) = item {
                all(&clip.inside, see);
            }
        }
    }
    for step in &program.steps {
        if let Step::Still(art) = step {
            all(art, see);
        }
    }
}

fn uses(program: &Program, face: Face) -> bool {
    let mut used = program.lines().flat_map(|l| &l.spans).any(|s| s.face == face);
    walk(program, &mut |art| {
        if let Art::Line(line) = art {
            used |= line.runs.iter().any(|run| run.face == face);
        }
    });
    used
}

/// Embeds a face whole: its glyph ids stay, and labels to come may need any of them.
fn write_font<W: Write>(file: &mut File<W>, face: Face) -> io::Result<Ref> {
    let font = face.font();
    let name = Name(face.postscript().as_bytes());
    let system = SystemInfo { registry: Str(b"Adobe"), ordering: Str(b"Identity"), supplement: 0 };
    let per_mille = |units: f32| units / font.units_per_em * 1000.0;
    let (id, cid, descriptor, program, unicode) =
        (file.reserve(), file.reserve(), file.reserve(), file.reserve(), file.reserve());

    let octets = deflate(face.file())?;
    let mut one = chunk();
    let mut stream = one.stream(program, &octets);
    stream.filter(Filter::FlateDecode);
    stream.pair(Name(b"Length1"), i32::try_from(face.file().len()).unwrap_or(i32::MAX));
    stream.finish();
    file.object(program, &one)?;

    let mut map = UnicodeCmap::new(Name(b"Custom"), system);
    // Where two characters share a glyph, the first one stands for it.
    let mut seen = vec![false; font.glyphs().len()];
    for (character, glyph) in font.characters() {
        if let Some(seen) = seen.get_mut(usize::from(*glyph))
            && !std::mem::replace(seen, true)
        {
            map.pair(*glyph, *character);
        }
    }
    let octets = deflate(&map.finish())?;
    let mut one = chunk();
    one.stream(unicode, &octets).filter(Filter::FlateDecode);
    file.object(unicode, &one)?;

    let mut one = chunk();
    let mut dict = one.font_descriptor(descriptor);
    let mut flags = FontFlags::NON_SYMBOLIC;
    flags.set(FontFlags::FIXED_PITCH, face.is_mono());
    let bounds = font
        .glyphs()
        .iter()
        .filter_map(|g| g.ink)
        .fold([0f32; 4], |a, b| [a[0].min(b[0]), a[1].min(b[1]), a[2].max(b[2]), a[3].max(b[3])]);
    let [left, bottom, right, top] = bounds.map(per_mille);
    dict.name(name).flags(flags).bbox(pdf_writer::Rect::new(left, bottom, right, top)).italic_angle(0.0);
    dict.ascent(per_mille(font.ascent)).descent(per_mille(font.descent)).cap_height(per_mille(font.cap_height));
    // No viewer draws with it while the face is embedded; 80 and 140 are usual for these weights.
    dict.stem_v(if matches!(face, Face::WordsBold | Face::CodesBold) { 140.0 } else { 80.0 }).font_file2(program);
    dict.finish();
    file.object(descriptor, &one)?;

    let mut one = chunk();
    let mut dict = one.cid_font(cid);
    dict.subtype(CidFontType::Type2).base_font(name).system_info(system).font_descriptor(descriptor);
    dict.cid_to_gid_map_predefined(Name(b"Identity"));
    dict.widths().consecutive(0, font.glyphs().iter().map(|g| per_mille(g.advance)));
    dict.finish();
    file.object(cid, &one)?;

    let mut one = chunk();
    one.type0_font(id)
        .base_font(name)
        .encoding_predefined(Name(b"Identity-H"))
        .descendant_font(cid)
        .to_unicode(unicode);
    file.object(id, &one)?;
    Ok(id)
}

/// Embeds a picture, its transparency as a mask beside it.
fn write_picture<W: Write>(file: &mut File<W>, png: &[u8]) -> io::Result<Ref> {
    let (width, height, rgba) = decode_png(png).map_err(io::Error::other)?;
    let side = |n: u32| i32::try_from(n).map_err(io::Error::other);
    let (width, height) = (side(width)?, side(height)?);
    let grey = rgba.chunks_exact(4).all(|p| p[0] == p[1] && p[1] == p[2]);
    let colors: Vec<u8> = rgba.chunks_exact(4).flat_map(|p| &p[..if grey { 1 } else { 3 }]).copied().collect();
    let mask = if rgba.chunks_exact(4).any(|p| p[3] != 255) {
        let id = file.reserve();
        let alpha: Vec<u8> = rgba.chunks_exact(4).map(|p| p[3]).collect();
        let octets = deflate(&alpha)?;
        let mut one = chunk();
        let mut image = one.image_xobject(id, &octets);
        image.filter(Filter::FlateDecode);
        image.width(width).height(height).color_space_name(Name(b"DeviceGray")).bits_per_component(8);
        image.finish();
        file.object(id, &one)?;
        Some(id)
    } else {
        None
    };
    let id = file.reserve();
    let octets = deflate(&colors)?;
    let mut one = chunk();
    let mut image = one.image_xobject(id, &octets);
    image.filter(Filter::FlateDecode);
    let space: &[u8] = if grey { b"DeviceGray" } else { b"DeviceRGB" };
    image.width(width).height(height).color_space_name(Name(space)).bits_per_component(8);
    if let Some(mask) = mask {
        image.s_mask(mask);
    }
    image.finish();
    file.object(id, &one)?;
    Ok(id)
}
