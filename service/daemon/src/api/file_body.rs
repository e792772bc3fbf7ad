//! A file as the body of an answer, some kilobytes at a time.

use std::fs::File;
use std::io::Read as _;
use std::pin::Pin;
use std::task::{Context, Poll};

use actix_web::HttpResponse;
use actix_web::body::{BodySize, MessageBody};
use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::web::Bytes;

use crate::app::exports::ExportedFile;

const PIECE_BYTES: u64 = 64 * 1024;

/// The rest of a file that was just written, from its present place. It is read on the thread that
/// sends it: its pages are still in memory, and a piece is small.
#[derive(Debug)]
struct FileBody {
    file: File,
    left: u64,
}

impl FileBody {
    /// The next `bytes` of the file.
    const fn new(file: File, bytes: u64) -> Self {
        Self { file, left: bytes }
    }
}

/// A CSV file (RFC 4180) to be kept under a name.
pub(crate) fn csv_file(file: ExportedFile, name: &str) -> HttpResponse {
    HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/csv; charset=utf-8; header=present"))
        .insert_header((CONTENT_DISPOSITION, format!("attachment; filename=\"{name}.csv\"")))
        .body(FileBody::new(file.file, file.bytes))
}

impl MessageBody for FileBody {
    type Error = std::io::Error;

    fn size(&self) -> BodySize {
        BodySize::Sized(self.left)
    }

    fn poll_next(
        mut self: Pin<&mut Self>,
        _: &mut Context<'_>,
    ) -> Poll<Option<Result<Bytes, Self::Error>>> {
        let wanted = self.left.min(PIECE_BYTES);
        if wanted == 0 {
            return Poll::Ready(None);
        }
        let mut piece = Vec::new();
        let read = self.file.by_ref().take(wanted).read_to_end(&mut piece);
        self.left -= wanted;
        Poll::Ready(Some(match read {
            Ok(count) if count as u64 == wanted => Ok(Bytes::from(piece)),
            Ok(_) => Err(std::io::ErrorKind::UnexpectedEof.into()),
            Err(error) => Err(error),
        }))
    }
}
