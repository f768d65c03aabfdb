"""Validates MusicXML files against the W3C's schema. Usage: validate_sheet.py FOLDER_WITH_MUSICXML_XSD FILE...

The schema imports two others by their address on the web; those beside it stand for them, so that nothing is fetched.
"""

import sys
from pathlib import Path

from lxml import etree

folder = Path(sys.argv[1])


class Beside(etree.Resolver):
    def resolve(self, url, public_id, context):
        return self.resolve_filename(str(folder / url.rsplit("/", 1)[-1]), context)


parser = etree.XMLParser(no_network=True)
parser.resolvers.add(Beside())
schema = etree.XMLSchema(etree.parse(str(folder / "musicxml.xsd"), parser))
for path in sys.argv[2:]:
    document = etree.parse(path)
    if not schema.validate(document):
        sys.exit(f"{path}: {schema.error_log.last_error}")
print(len(sys.argv) - 2)
