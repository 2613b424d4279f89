//! The pages of a report as vector PDF.

use std::io::{self, Write};

use pdf_writer::{Content, Finish, Name};

use crate::art::Art;
use crate::fonts::Face;
use crate::pdf::content::{self, Names, face_name};
use crate::pdf::file::{File, chunk};
use crate::pdf::{POINT_PER_MM, deflate, write_font};

fn uses(art: &[Art], face: Face) -> bool {
    art.iter().any(|item| match item {
        Art::Line(line) => line.runs.iter().any(|run| run.face == face),
        Art::Clip(clip) => uses(&clip.inside, face),
        Art::Shape(_) | Art::Picture(_) => false,
    })
}

/// Writes pages of shapes and letters; art in millimetres from each page's top left corner.
///
/// Pictures of pixels are left out: reports have none.
///
/// # Errors
///
/// Where `out` can't be written.
pub(crate) fn write_pages<W: Write>(out: W, size_mm: (f32, f32), pages: &[Vec<Art>], title: &str) -> io::Result<W> {
    let mut file = File::start(out)?;
    let mut fonts = Vec::new();
    for face in Face::ALL {
        if pages.iter().any(|page| uses(page, face)) {
            fonts.push((face, write_font(&mut file, face)?));
        }
    }
    let resources = file.reserve();
    let mut one = chunk();
    let mut dict: pdf_writer::writers::Resources<'_> = one.indirect(resources).start();
    dict.fonts().pairs(fonts.iter().map(|(face, id)| (Name(face_name(*face)), *id)));
    dict.finish();
    file.object(resources, &one)?;
    let names = Names { picture: &|_| None };
    for page in pages {
        let mut content = Content::new();
        content.transform([POINT_PER_MM, 0.0, 0.0, -POINT_PER_MM, 0.0, size_mm.1 * POINT_PER_MM]);
        content::still(&mut content, page, &names);
        let octets = deflate(&content.finish())?;
        file.page(size_mm.0 * POINT_PER_MM, size_mm.1 * POINT_PER_MM, resources, &octets)?;
    }
    file.finish(title, false)
}
