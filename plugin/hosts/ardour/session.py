"""A saved Ardour session, read and added to as the XML it is."""

import base64
import json
import shutil
import xml.etree.ElementTree as ET
import zlib
from pathlib import Path

# Ardour 7 counts audio time in 282 240 000 parts of a second.
SUPERCLOCK_HZ = 282_240_000


class Session:
    def __init__(self, folder, name):
        self.folder, self.name = Path(folder), name
        self.file = self.folder / f"{name}.ardour"
        self.tree = ET.parse(self.file)
        self.root = self.tree.getroot()

    def save(self):
        self.tree.write(self.file, encoding="UTF-8", xml_declaration=True)

    def new_id(self):
        number = int(self.root.get("id-counter"))
        self.root.set("id-counter", str(number + 1))
        return str(number)

    def put_take(self, wav, track, at_s, num_samples, rate_hz):
        """A mono take on a track, as a region of its own, and a session range that holds it and 2 s more."""
        folder = next(self.folder.glob("interchange/*/audiofiles"))
        shutil.copy(wav, folder / wav.name)
        source, region = self.new_id(), self.new_id()
        ET.SubElement(self.root.find("Sources"), "Source", {
            "name": wav.name, "take-id": "", "type": "audio", "flags": "", "id": source, "channel": "0",
            "origin": "", "gain": "1"})
        length, at = clock(num_samples / rate_hz), clock(at_s)
        playlist = next(p for p in self.root.find("Playlists") if p.get("name") == track)
        ET.SubElement(playlist, "Region", {
            "name": "take", "opaque": "1", "whole-file": "0", "start": "a0", "length": f"a{length}@a{at}",
            "sync-position": "a0", "ancestral-start": "a0", "ancestral-length": f"a{length}@a{at}", "stretch": "1",
            "shift": "1", "positional-lock-style": "AudioTime", "layering-index": "0", "envelope-active": "0",
            "default-fade-in": "0", "default-fade-out": "0", "fade-in-active": "0", "fade-out-active": "0",
            "scale-amplitude": "1", "id": region, "type": "audio", "first-edit": "nothing", "source-0": source,
            "master-source-0": source, "channels": "1"})
        ET.SubElement(self.root.find("Locations"), "Location", {
            "name": "session", "start": "a0", "end": f"a{at + length + clock(2.0)}", "flags": "IsSessionRange",
            "locked": "0", "position-lock-style": "AudioTime", "id": self.new_id()})

    def cues(self, stem):
        """Place in seconds and text of each marker that came in with a MIDI file: Ardour 7.3 keeps them with the
        file's region, which begins at the session's start."""
        sources = [s for s in self.root.iter("Source") if s.get("name", "").startswith(stem)]
        return sorted((self.seconds(c.get("position")), c.get("text")) for s in sources for c in s.iter("Cue"))

    def bpm(self):
        """Quarter notes a minute: the session has one tempo."""
        return float(next(self.root.iter("Tempo")).get("npm"))

    def seconds(self, place):
        """Audio time (a) or ticks of 1920 to the quarter note (b), through the session's one tempo."""
        if place[0] == "a":
            return int(place[1:]) / SUPERCLOCK_HZ
        return float(place[1:]) / 1920 * 60 / self.bpm()

    def insert_state(self):
        """What the insert keeps in the session: its passes and settings."""
        chunk = next(self.root.iter("vst3")).findtext("chunk")
        raw = base64.b64decode(chunk)
        text = raw[raw.index(b'{"version'):].decode("utf-8", "replace")
        state, _ = json.JSONDecoder().raw_decode(text)
        kept = json.loads(state["fields"]["session"])
        kept["passes"] = [unpacked_pass(one) for one in kept.pop("packed")]
        return state, kept

    def switch_on(self, parameter):
        """A setting of the insert that is off: Ardour 7.3 offers no parameter that is not for automation."""
        chunk = next(self.root.iter("vst3")).find("chunk")
        raw = base64.b64decode(chunk.text)
        # As long as before, since lengths and places stand before and behind it.
        off, on = (f'"{parameter}":{{"bool":{value}}}'.encode() for value in ("false", "true "))
        if raw.count(off) != 1:
            raise ValueError(f"{parameter} is not found once in the insert's state")
        chunk.text = base64.b64encode(raw.replace(off, on)).decode()

    def regions(self, track):
        playlists = [p for p in self.root.find("Playlists") if p.get("name", "").startswith(track)]
        return [r for p in playlists for r in p.findall("Region")]


def unpacked_pass(packed):
    """A pass in pieces: its head, and its entrances in parts."""
    def unpacked(text):
        return json.loads(zlib.decompress(base64.b64decode(text)))

    entrances = [entrance for part in packed["parts"] for entrance in unpacked(part)]
    return {**unpacked(packed["head"]), "entrances": entrances}


def clock(s):
    """Ardour's audio time of seconds, on a whole sample at any usual rate."""
    return round(s * SUPERCLOCK_HZ)
