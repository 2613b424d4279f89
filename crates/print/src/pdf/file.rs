//! A PDF file that is written as it grows.
//!
//! Each object goes out as soon as it is whole; what stays in memory is one
//! offset an object, and the open branch of the page tree. Syntax of objects is
//! a library's; the file structure around them is ISO 32000-1, 7.5.

use std::io::{self, Write};

use pdf_writer::{Chunk, Finish, Name, Rect, Ref, Settings, TextStr};

/// Pages under one branch of the page tree.
const BRANCH: usize = 128;

/// The object number of the page tree's root.
const ROOT: Ref = Ref::new(2);

/// A growing PDF.
pub(crate) struct File<W: Write> {
    out: W,
    written: u64,
    /// Offset of each object, by number; 0 for one not yet written.
    offsets: Vec<u64>,
    next: Ref,
    branch: Option<(Ref, Vec<Ref>)>,
    branches: Vec<Ref>,
    pages: u64,
}

pub(crate) fn chunk() -> Chunk {
    Chunk::with_settings(Settings { pretty: false })
}

impl<W: Write> File<W> {
    /// Starts a file.
    pub(crate) fn start(out: W) -> io::Result<Self> {
        let mut file = Self {
            out,
            written: 0,
            offsets: Vec::new(),
            next: Ref::new(3),
            branch: None,
            branches: Vec::new(),
            pages: 0,
        };
        // The second line tells transfer programs that this is no text (7.5.2).
        file.put(b"%PDF-1.7\n%\xE2\xE3\xCF\xD3\n")?;
        Ok(file)
    }

    fn put(&mut self, octets: &[u8]) -> io::Result<()> {
        self.out.write_all(octets)?;
        self.written += octets.len() as u64;
        Ok(())
    }

    /// A number for an object to come.
    pub(crate) fn reserve(&mut self) -> Ref {
        self.next.bump()
    }

    /// Writes the one object that `chunk` holds, which has the number `id`.
    pub(crate) fn object(&mut self, id: Ref, chunk: &Chunk) -> io::Result<()> {
        let index = id.get() as usize;
        if self.offsets.len() <= index {
            self.offsets.resize(index + 1, 0);
        }
        self.offsets[index] = self.written;
        self.put(chunk.as_bytes())
    }

    /// Writes a page: its size in points, its resources, its compressed content.
    pub(crate) fn page(&mut self, width: f32, height: f32, resources: Ref, content: &[u8]) -> io::Result<()> {
        let (id, content_id) = (self.reserve(), self.reserve());
        if self.branch.is_none() {
            self.branch = Some((self.reserve(), Vec::with_capacity(BRANCH)));
        }
        let Some((branch, kids)) = &mut self.branch else { return Ok(()) };
        let branch = *branch;
        kids.push(id);
        let full = kids.len() == BRANCH;
        let mut one = chunk();
        one.stream(content_id, content).filter(pdf_writer::Filter::FlateDecode);
        self.object(content_id, &one)?;
        let mut one = chunk();
        let mut page = one.page(id);
        page.parent(branch).media_box(Rect::new(0.0, 0.0, width, height)).contents(content_id);
        page.pair(Name(b"Resources"), resources);
        page.finish();
        self.object(id, &one)?;
        self.pages += 1;
        if full { self.close_branch() } else { Ok(()) }
    }

    fn close_branch(&mut self) -> io::Result<()> {
        let Some((id, kids)) = self.branch.take() else { return Ok(()) };
        let mut one = chunk();
        one.pages(id).parent(ROOT).count(i32::try_from(kids.len()).unwrap_or(i32::MAX)).kids(kids);
        self.branches.push(id);
        self.object(id, &one)
    }

    /// Pages written so far.
    pub(crate) fn pages(&self) -> u64 {
        self.pages
    }

    /// Writes the page tree's root, the catalog and the cross references.
    ///
    /// - `exact`: a print dialog must not "fit" it to its paper. Labels need
    ///   that, or the size of their symbols' modules would no longer hold.
    pub(crate) fn finish(mut self, title: &str, exact: bool) -> io::Result<W> {
        self.close_branch()?;
        let count = i32::try_from(self.pages).map_err(|_| io::Error::other("more pages than a PDF can count"))?;
        let mut one = chunk();
        one.pages(ROOT).count(count).kids(self.branches.iter().copied());
        self.object(ROOT, &one)?;

        let catalog = Ref::new(1);
        let mut one = chunk();
        let mut dict: pdf_writer::writers::Catalog<'_> = one.indirect(catalog).start();
        dict.pages(ROOT);
        if exact {
            dict.viewer_preferences().pair(Name(b"PrintScaling"), Name(b"None"));
        }
        dict.finish();
        self.object(catalog, &one)?;

        let info = self.reserve();
        let mut one = chunk();
        let mut dict: pdf_writer::writers::DocumentInfo<'_> = one.indirect(info).start();
        dict.title(TextStr(title)).producer(TextStr("touchmark"));
        dict.finish();
        self.object(info, &one)?;

        let start = self.written;
        let size = self.offsets.len();
        self.put(format!("xref\n0 {size}\n0000000000 65535 f \n").as_bytes())?;
        for offset in std::mem::take(&mut self.offsets).into_iter().skip(1) {
            if offset > 9_999_999_999 {
                return Err(io::Error::other("the PDF would exceed 10 GB; print it in parts"));
            }
            self.put(format!("{offset:010} 00000 n \n").as_bytes())?;
        }
        let (root, info) = (catalog.get(), info.get());
        self.put(
            format!("trailer\n<</Size {size}/Root {root} 0 R/Info {info} 0 R>>\nstartxref\n{start}\n%%EOF\n")
                .as_bytes(),
        )?;
        self.out.flush()?;
        Ok(self.out)
    }
}
