"""The sidecar of a picture: XMP (ISO 16684-1), in standard namespaces alone.

Fields and value types are those of the XMP specification part 2, of the IPTC Photo Metadata Standard and of Exif for
XMP (CIPA DC-010). The same facts always give the same bytes.
"""

from __future__ import annotations

import re
from xml.sax.saxutils import escape

from controller.account.gather.facts import Facts, rational
from controller.units import utc_iso

NAMESPACES = {
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "dc": "http://purl.org/dc/elements/1.1/",
    "photoshop": "http://ns.adobe.com/photoshop/1.0/",
    "exif": "http://ns.adobe.com/exif/1.0/",
    "exifEX": "http://cipa.jp/exif/1.0/",
    "Iptc4xmpCore": "http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/",
    "xmpMM": "http://ns.adobe.com/xap/1.0/mm/",
}
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def to_xmp(facts: Facts) -> bytes:
    """Return the sidecar of one frame, UTF-8."""
    stamp = utc_iso(facts.taken_utc_ns).replace("Z", "+00:00")
    fields = [
        _in_languages("dc:title", facts.title),
        _in_languages("dc:description", facts.description),
        _bag("dc:subject", facts.keywords),
        _simple("dc:identifier", facts.identifier),
        _simple("photoshop:DateCreated", stamp),
        _simple("Iptc4xmpCore:Location", facts.site_name),
        _simple("exif:DateTimeOriginal", stamp),
        _simple("exif:GPSVersionID", "2.3.0.0"),
        _simple("exif:GPSMapDatum", "WGS-84"),
        _simple("exif:GPSLatitude", _angle(facts.latitude_deg, "N", "S")),
        _simple("exif:GPSLongitude", _angle(facts.longitude_deg, "E", "W")),
        _simple("exif:GPSAltitudeRef", "1" if facts.elevation_m < 0 else "0"),
        _simple("exif:GPSAltitude", rational(abs(facts.elevation_m), 1000)),
        _simple("exif:GPSTimeStamp", utc_iso(facts.taken_utc_ns)),
    ]
    if facts.aimed_at is not None:
        fields += [
            _simple("exif:GPSImgDirectionRef", "T"),
            _simple("exif:GPSImgDirection", rational(round(facts.aimed_at.azimuth_deg, 3) % 360, 1000)),
            _simple("exifEX:CameraElevationAngle", rational(round(facts.aimed_at.altitude_deg, 3), 1000)),
        ]
    if facts.exposure_s:
        fields.append(_simple("exif:ExposureTime", rational(facts.exposure_s)))
    if facts.f_number:
        fields.append(_simple("exif:FNumber", rational(facts.f_number, 1000)))
    if facts.iso:
        fields.append(_simple("exifEX:PhotographicSensitivity", str(round(facts.iso))))
    if facts.serial:
        fields.append(_simple("exifEX:BodySerialNumber", facts.serial))
    if facts.camera_file_name:
        fields.append(_simple("xmpMM:PreservedFileName", facts.camera_file_name))
    spaces = "".join(f'\n    xmlns:{prefix}="{uri}"' for prefix, uri in NAMESPACES.items() if prefix != "rdf")
    body = "\n".join(f"   {line}" for field in fields for line in field.split("\n"))
    return (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/">\n'
        f' <rdf:RDF xmlns:rdf="{NAMESPACES["rdf"]}">\n'
        f'  <rdf:Description rdf:about=""{spaces}>\n'
        f"{body}\n"
        "  </rdf:Description>\n"
        " </rdf:RDF>\n"
        "</x:xmpmeta>\n"
        '<?xpacket end="w"?>\n'
    ).encode()


def _text(value: str) -> str:
    """Return a text as it may stand in XML: what may not stand there at all is replaced."""
    return escape(_NOT_XML.sub("\ufffd", value), {"\r": "&#13;", "\n": "&#10;", "\t": "&#9;"})


def _simple(name: str, value: str) -> str:
    return f"<{name}>{_text(value)}</{name}>"


def _in_languages(name: str, value: str) -> str:
    return f'<{name}>\n <rdf:Alt>\n  <rdf:li xml:lang="x-default">{_text(value)}</rdf:li>\n </rdf:Alt>\n</{name}>'


def _bag(name: str, values: tuple[str, ...]) -> str:
    items = "\n".join(f"  <rdf:li>{_text(value)}</rdf:li>" for value in values)
    return f"<{name}>\n <rdf:Bag>\n{items}\n </rdf:Bag>\n</{name}>"


def _angle(degrees: float, positive: str, negative: str) -> str:
    """Return an angle as XMP writes GPS coordinates: ``36,7.20000N``, minutes to a millionth (2 mm)."""
    minutes = round(abs(degrees) * 60, 6)
    whole = int(minutes // 60)
    return f"{whole},{minutes - 60 * whole:.6f}{negative if degrees < 0 else positive}"
