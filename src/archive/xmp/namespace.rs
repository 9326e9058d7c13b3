//! Namespaces that results use, with the prefixes that are customary for them (ISO 16684-1, IPTC Photo Metadata).

pub const RDF: &str = "http://www.w3.org/1999/02/22-rdf-syntax-ns#";
pub const XML: &str = "http://www.w3.org/XML/1998/namespace";
pub const DC: &str = "http://purl.org/dc/elements/1.1/";
pub const XMP: &str = "http://ns.adobe.com/xap/1.0/";
pub const XMP_MM: &str = "http://ns.adobe.com/xap/1.0/mm/";
pub const ST_EVT: &str = "http://ns.adobe.com/xap/1.0/sType/ResourceEvent#";
pub const ST_REF: &str = "http://ns.adobe.com/xap/1.0/sType/ResourceRef#";
pub const EXIF: &str = "http://ns.adobe.com/exif/1.0/";
pub const EXIF_EX: &str = "http://cipa.jp/exif/1.0/";
pub const TIFF: &str = "http://ns.adobe.com/tiff/1.0/";
pub const PHOTOSHOP: &str = "http://ns.adobe.com/photoshop/1.0/";
pub const IPTC_CORE: &str = "http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/";
pub const IPTC_EXT: &str = "http://iptc.org/std/Iptc4xmpExt/2008-02-29/";

/// Our own terms; schema.md beside this file explains each. A tag URI (RFC 4151) names without promising a page: no host stands
/// behind it that could change hands within the life of an archive.
pub const HYALINE: &str = "tag:hyaline,2026:plate/1.0/";

const PREFIXES: [(&str, &str); 13] = [
    (RDF, "rdf"),
    (DC, "dc"),
    (XMP, "xmp"),
    (XMP_MM, "xmpMM"),
    (ST_EVT, "stEvt"),
    (ST_REF, "stRef"),
    (EXIF, "exif"),
    (EXIF_EX, "exifEX"),
    (TIFF, "tiff"),
    (PHOTOSHOP, "photoshop"),
    (IPTC_CORE, "Iptc4xmpCore"),
    (IPTC_EXT, "Iptc4xmpExt"),
    (HYALINE, "hyaline"),
];

/// The prefix of a namespace that we write.
pub(super) fn prefix(space: &str) -> Option<&'static str> {
    PREFIXES.iter().find(|(uri, _)| *uri == space).map(|(_, prefix)| *prefix)
}
