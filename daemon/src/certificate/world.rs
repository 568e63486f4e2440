//! What a template can see: the files it is handed, its own folder, the embedded fonts and its own.
//!
//! Owns the border between a template and the machine. Must not open a network connection, start a program,
//! load a package, read a clock, or follow a link out of the template's folder.

use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use typst::diag::{FileError, FileResult, PackageError};
use typst::foundations::{Bytes, Datetime, Duration};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt, World};

use super::job::Failure;

/// The template that is used when the laboratory has none of its own.
const BUILT_IN: &str = include_str!("template.typ");
/// Files larger than this are refused: images for a letterhead are far smaller.
const FILE_BYTES_MAX: u64 = 32 << 20;

static LIBRARY: LazyLock<LazyHash<Library>> = LazyLock::new(|| LazyHash::new(Library::default()));
static FONTS: LazyLock<Vec<Font>> =
    LazyLock::new(|| typst_assets::fonts().flat_map(|data| Font::iter(Bytes::new(data))).collect());

/// A template with its surroundings.
pub(super) struct CertificateWorld {
    book: LazyHash<FontBook>,
    fonts: Vec<Font>,
    main: Source,
    /// Files by path from the root, such as `/calwright/certificate.json`. They go before those of the folder.
    handed: BTreeMap<String, Bytes>,
    // Invariant: canonical, so that a file's canonical path can be compared with it.
    folder: Option<PathBuf>,
    today: Option<Datetime>,
}

impl CertificateWorld {
    /// The template at a path, or the built-in one, with the files it is handed.
    pub(super) fn new(
        template: Option<&Path>,
        own: Option<&Path>,
        handed: BTreeMap<String, Bytes>,
        today: Option<Datetime>,
    ) -> Result<Self, Failure> {
        let mut fonts = FONTS.clone();
        if let Some(folder) = own {
            let unreadable = |detail: String| {
                let what = "the folder of fonts (certificate.fonts)".to_owned();
                Failure::OwnFile { what, path: folder.to_owned(), detail }
            };
            let real = folder.canonicalize().map_err(|error| unreadable(error.to_string()))?;
            fonts.extend(own_fonts(&real));
        }
        let (folder, name, text) = match template {
            None => (None, "template.typ".to_owned(), BUILT_IN.to_owned()),
            Some(path) => {
                let (folder, name, text) = read_template(path)?;
                fonts.extend(own_fonts(&folder));
                (Some(folder), name, text)
            }
        };
        let place = VirtualPath::new(&name).map_err(|error| Failure::TemplateFile {
            path: PathBuf::from(&name),
            detail: format!("{error:?}"),
        })?;
        let main = Source::new(RootedPath::new(VirtualRoot::Project, place).intern(), text);
        Ok(Self { book: LazyHash::new(FontBook::from_fonts(&fonts)), fonts, main, handed, folder, today })
    }

    /// True if some font has this letter, or it needs none.
    pub(super) fn can_print(&self, letter: char) -> bool {
        letter.is_control() || self.fonts.iter().any(|font| font.info().coverage.contains(letter.into()))
    }

    /// Hands one more file over, or another in its place.
    pub(super) fn hand(&mut self, path: &str, bytes: Bytes) {
        self.handed.insert(path.to_owned(), bytes);
    }

    /// Hands over a file of the laboratory's.
    pub(super) fn hand_file(&mut self, name: &str, path: &Path) -> Result<(), Failure> {
        let bytes = read_bounded(path).map_err(|error| {
            let what = "the laboratory's mark (laboratory.mark)".to_owned();
            Failure::OwnFile { what, path: path.to_owned(), detail: error.to_string() }
        })?;
        self.hand(name, Bytes::new(bytes));
        Ok(())
    }

    fn read(&self, id: FileId) -> FileResult<Bytes> {
        if matches!(id.root(), VirtualRoot::Package(_)) {
            let why =
                "certificate templates can't use packages: copy what is needed into the template's folder";
            return Err(FileError::Package(PackageError::Other(Some(why.into()))));
        }
        if let Some(bytes) = self.handed.get(id.vpath().get_with_slash()) {
            return Ok(bytes.clone());
        }
        let Some(folder) = &self.folder else {
            return Err(FileError::NotFound(PathBuf::from(id.vpath().get_with_slash())));
        };
        let path = id.vpath().realize(folder).map_err(FileError::Realize)?;
        let real = path.canonicalize().map_err(|error| FileError::from_io(error, &path))?;
        if !real.starts_with(folder) {
            return Err(FileError::AccessDenied);
        }
        read_bounded(&real).map(Bytes::new).map_err(|error| FileError::from_io(error, &path))
    }
}

/// Canonical folder, file name and text of a template.
fn read_template(path: &Path) -> Result<(PathBuf, String, String), Failure> {
    let unreadable = |detail: String| Failure::TemplateFile { path: path.to_owned(), detail };
    let real = path.canonicalize().map_err(|error| unreadable(error.to_string()))?;
    let bytes = read_bounded(&real).map_err(|error| unreadable(error.to_string()))?;
    let text = String::from_utf8(bytes).map_err(|error| unreadable(error.to_string()))?;
    let name = real.file_name().and_then(|name| name.to_str()).map(str::to_owned);
    match (real.parent(), name) {
        (Some(folder), Some(name)) => Ok((folder.to_owned(), name, text)),
        _ => Err(unreadable("it is no file in a folder".to_owned())),
    }
}

fn read_bounded(path: &Path) -> std::io::Result<Vec<u8>> {
    let mut file = std::fs::File::open(path)?;
    let about = file.metadata()?;
    if !about.is_file() || about.len() > FILE_BYTES_MAX {
        let why = format!("only ordinary files of at most {FILE_BYTES_MAX} bytes can be used");
        return Err(std::io::Error::other(why));
    }
    let mut bytes = Vec::new();
    file.by_ref().take(FILE_BYTES_MAX).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Font files beside the template, in the order of their names.
fn own_fonts(folder: &Path) -> Vec<Font> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut paths: Vec<_> = entries.map(|entry| entry.path()).filter(|path| is_font(path)).collect();
    paths.sort();
    let files =
        paths.iter().filter_map(|path| path.canonicalize().ok()).filter(|real| real.starts_with(folder));
    files
        .filter_map(|real| read_bounded(&real).ok())
        .flat_map(|bytes| Font::iter(Bytes::new(bytes)))
        .collect()
}

fn is_font(path: &Path) -> bool {
    let extension = path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase);
    matches!(extension.as_deref(), Some("ttf" | "otf" | "ttc" | "otc"))
}

impl World for CertificateWorld {
    fn library(&self) -> &LazyHash<Library> {
        &LIBRARY
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &self.book
    }

    fn main(&self) -> FileId {
        self.main.id()
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        if id == self.main.id() {
            return Ok(self.main.clone());
        }
        let bytes = self.read(id)?;
        let text = bytes.as_str().map_err(|_| FileError::InvalidUtf8)?;
        Ok(Source::new(id, text.to_owned()))
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        self.read(id)
    }

    fn font(&self, index: usize) -> Option<Font> {
        self.fonts.get(index).cloned()
    }

    fn today(&self, _: Option<Duration>) -> Option<Datetime> {
        self.today
    }
}
