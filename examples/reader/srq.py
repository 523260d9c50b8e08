#!/usr/bin/env python3
"""Read Stampreel clips (.srq), as a worked example of container/FORMAT.md.

    srq.py info CLIP            the header in words, the seek table
    srq.py frames CLIP OUTDIR   what the panel shows as pictures, upright, the sound as WAV
    srq.py check FILE...        one line a file: the result, and why or the checksums

Needs nothing but Python 3.9. Sections in the comments are those of FORMAT.md, and so
are all names. Every rule of the format is checked, in the order of section 2.1; a
player checks less (section 5).
"""

import argparse
import array
import binascii
import itertools
import math
import os
import struct
import sys
import types
import wave
import zlib

SECTOR = 512
MAGIC = b"\x9bSRQ\r\n\x1a\n"
VERSION = 1

# Section 2.1: field, its struct code, least and largest value (None: any).
HEADER = [
    ("magic", "8s", None, None),
    ("version", "H", None, None),
    ("flags", "H", 0, 3),
    ("width", "H", 1, 1024),
    ("height", "H", 1, 1024),
    ("pixelFormat", "B", 1, 9),
    ("turn", "B", 0, 3),
    ("soundCoding", "B", 0, 3),
    ("channels", "B", 0, 2),
    ("rateNum", "I", 1, 1000000),
    ("rateDen", "I", 1, 100000),
    ("sampleRateNum", "I", 0, 2147483647),
    ("sampleRateDen", "I", 0, 65535),
    ("beats", "I", 1, 8388607),
    ("firstBeat", "I", 0, 2147483647),
    ("part", "H", 0, 999),
    ("soundLead", "H", 0, 240),
    ("seekSectors", "H", 1, 1024),
    ("seekShift", "B", 0, 18),
    ("frameCodings", "B", 2, 31),
    ("seekCRC", "I", None, None),
    ("leadCRC", "I", None, None),
    ("fileSectors", "I", 4, 8388607),
    ("firstBeatSectors", "H", 2, 65535),
    ("maxBeatSectors", "H", 2, 65535),
    ("maxFrameBytes", "I", 1, 3145728),
    ("maxPanelBytes", "I", 1, 3145728),
    ("maxSoundBytes", "I", 0, 384000),
    ("streamBytes", "I", 512, 134217727),
    ("wholeBytes", "I", 1024, 134217727),
    ("panelBytes", "Q", 1, 9223372036854775807),
    ("identity", "16s", None, None),
    ("need", "32s", None, None),
    ("leadBytes", "I", 0, 92160000),
    ("beatsSector", "I", 2, 8388607),
    ("samplePhase", "I", 0, 2147483647),
    ("allBeats", "I", 1, 2147483647),
    ("reserved", "96s", None, None),
    ("extension", "252s", None, None),
    ("headerCRC", "I", None, None),
]
HEADER_STRUCT = struct.Struct("<" + "".join(code for _, code, _, _ in HEADER))

# Section 2.2, behind beatSync and beatCRC.
BEAT_FIELDS = ("number", "sectors", "nextSectors", "keyAhead", "frameCoding", "soundCoding",
               "soundBytes", "frameBytes", "panelBytes", "payloadCRC")
BEAT_STRUCT = struct.Struct("<2sHIHHHBBIIII")

# Section 2.3.
SEEK_STRUCT = struct.Struct("<IIHHI")

LOOPS, MORE = 1, 2
U8, S16, ADPCM = 1, 2, 3
REPEAT, RAW, TILES, JPEG, KEY_TILES = 0, 1, 2, 3, 4
KEY_CODINGS = (RAW, JPEG, KEY_TILES)
PIXEL_FORMATS = ("", "rgb565", "rgb565le", "rgb444", "rgb666", "rgb332",
                 "grey8", "grey4", "mono-rows", "mono-pages")
SOUND_CODINGS = ("none", "u8", "s16", "ima-adpcm")


class Trouble(Exception):
    """What is wrong with a clip; kind is damaged, truncated, unsupported or limit."""

    def __init__(self, kind, what):
        super().__init__(what)
        self.kind = kind


def rule(holds, what):
    """A rule about the bytes of a clip."""
    if not holds:
        raise Trouble("damaged", what)


def ceil_div(a, b):
    return -(-a // b)


class Clip:
    """An open clip. Opening it takes steps 1 to 6 of section 2.1, the rest is verify().

    file: binary, seekable. limits: largest width, height and wholeBytes, by those names.
    """

    def __init__(self, file, limits=None):
        self.file = file
        size = file.seek(0, os.SEEK_END)
        self.header = self.read_header(size)
        h = self.header
        self.loops = bool(h.flags & LOOPS)
        self.more = bool(h.flags & MORE)
        self.end_beat = h.firstBeat + h.beats
        self.P = h.sampleRateNum * h.rateDen
        self.Q = h.sampleRateDen * h.rateNum
        self.frame_bytes = frame_bytes(h.pixelFormat, h.width, h.height)
        self.check_joined_fields()

        want = h.fileSectors * SECTOR
        if size < want:
            raise Trouble("truncated", f"the file has {size} bytes, fileSectors says {want}")
        rule(size == want, f"the file has {size} bytes, fileSectors says {want}")
        for name, most in (limits or {}).items():
            if most is not None and getattr(h, name) > most:
                raise Trouble("limit", f"{name} is {getattr(h, name)}, this reader allows {most}")

    # Section 2.1: the header.

    def read_header(self, size):
        """Steps 1 to 4."""
        if size < SECTOR:
            raise Trouble("truncated", f"the file has {size} bytes, the header takes {SECTOR}")
        sector = self.read(0, 1, "header")
        values = HEADER_STRUCT.unpack(sector)
        h = types.SimpleNamespace(**{row[0]: v for row, v in zip(HEADER, values)})
        rule(h.magic == MAGIC, "magic: this is no clip")
        rule(h.headerCRC == zlib.crc32(sector[:508]), "headerCRC does not fit the header")
        if h.version != VERSION:
            raise Trouble("unsupported", f"version {h.version}, this reader knows {VERSION}")
        rule(not any(h.reserved), "reserved bytes of the header are not zero")

        above = None
        for name, _, least, largest in HEADER:
            value = getattr(h, name)
            if least is None or least <= value <= largest:
                continue
            if name in ("pixelFormat", "soundCoding", "frameCodings") and value > largest:
                above = above or f"{name} {value}, this reader knows up to {largest}"
                continue
            raise Trouble("damaged", f"{name} is {value}, legal is {least}…{largest}")
        if above:
            raise Trouble("unsupported", above)
        h.need = struct.unpack("<8I", h.need)
        return h

    def check_joined_fields(self):
        """Step 5."""
        h = self.header
        rule(math.gcd(h.rateNum, h.rateDen) == 1, "rateNum/rateDen is not in lowest terms")
        rule(h.rateDen <= h.rateNum <= 240 * h.rateDen, "rateNum/rateDen is not within 1…240")
        if h.soundCoding == 0:
            for name in ("channels", "sampleRateNum", "sampleRateDen", "soundLead", "leadCRC",
                         "maxSoundBytes", "leadBytes", "samplePhase"):
                rule(getattr(h, name) == 0, f"{name} is not 0 without sound")
        else:
            rule(math.gcd(h.sampleRateNum, h.sampleRateDen) == 1,
                 "sampleRateNum/sampleRateDen is not in lowest terms")
            rule(2000 * h.sampleRateDen <= h.sampleRateNum <= 96000 * h.sampleRateDen,
                 "sampleRateNum/sampleRateDen is not within 2000…96000")
            rule(h.channels >= 1, "channels is 0 with sound")
            rule(h.soundLead >= 1, "soundLead is 0 with sound")
            rule(self.P <= 2147483647, "sampleRateNum·rateDen is above 2147483647")
            rule(self.Q <= 2147483647, "sampleRateDen·rateNum is above 2147483647")
            rule(h.samplePhase == h.firstBeat * self.P % self.Q,
                 "samplePhase is not firstBeat·P mod Q")
        rule((h.part == 0) == (h.firstBeat == 0), "firstBeat is 0 in part 0 and only there")
        rule(h.firstBeat >= h.part, "firstBeat is below part")
        rule(self.end_beat <= h.allBeats, "firstBeat + beats is above allBeats")
        rule((self.end_beat < h.allBeats) == self.more,
             "`more` is set exactly if firstBeat + beats is below allBeats")
        lead = [self.sound_bytes(h.firstBeat + k) for k in range(h.soundLead)]
        rule(h.leadBytes == sum(lead), "leadBytes is not the sound of soundLead beats")
        rule(h.maxSoundBytes >= max(lead, default=0), "maxSoundBytes is below a sound of the lead-in")
        rule(h.beatsSector == 1 + h.seekSectors + ceil_div(h.leadBytes, SECTOR),
             "beatsSector is not 1 + seekSectors + ⌈leadBytes/512⌉")
        shift = 0
        while ceil_div(h.beats, 1 << shift) > 32 * h.seekSectors:
            shift += 1
        rule(h.seekShift == shift, f"seekShift is {h.seekShift}, the smallest that fits is {shift}")
        held = self.sound_held()
        rule(h.streamBytes == held + SECTOR, "streamBytes is not soundHeld + 512")
        rule(h.wholeBytes == held + SECTOR * h.maxBeatSectors,
             "wholeBytes is not soundHeld + 512·maxBeatSectors")
        rule(h.fileSectors >= h.beatsSector + h.beats, "fileSectors is below beatsSector + beats")
        rule(h.firstBeatSectors <= h.maxBeatSectors, "firstBeatSectors is above maxBeatSectors")

    def sound_held(self):
        """Section 7, bytes."""
        h = self.header
        if h.soundCoding == 0:
            return 0
        if h.soundCoding == ADPCM:
            return (h.soundLead + 1) * adpcm_block_bytes(self.P // self.Q + 1, h.channels)
        samples = (h.soundLead + 1) * self.P // self.Q + 1
        return samples * h.channels * sample_bytes(h.soundCoding)

    # Section 4: which sound belongs to which beat.

    def sound_of(self, number):
        """The beat whose sound is stored as that of beat number, or None: no sound there."""
        h = self.header
        if h.soundCoding == 0:
            return None
        if number < h.allBeats:
            return number
        return number % h.allBeats if self.loops else None

    def count(self, beat):
        """Samples a channel that play with beat."""
        return (beat + 1) * self.P // self.Q - beat * self.P // self.Q

    def sound_bytes(self, number):
        """Bytes stored as the sound of beat number, which may be behind the last beat."""
        beat = self.sound_of(number)
        if beat is None:
            return 0
        h = self.header
        if h.soundCoding == ADPCM:
            return adpcm_block_bytes(self.count(beat), h.channels)
        return self.count(beat) * h.channels * sample_bytes(h.soundCoding)

    def check_sound(self, number, sound, seen):
        """Rules about the sound stored for beat number.

        seen: the sound of the first beats by beat, to which a loop comes back.
        """
        if not sound:
            return
        h = self.header
        beat = self.sound_of(number)
        if h.soundCoding == ADPCM:
            check_adpcm(sound, self.count(beat), h.channels, f"sound of beat {number}")
        if beat < h.soundLead:
            rule(seen.setdefault(beat, sound) == sound,
                 f"the sound of beat {beat} is stored twice, with different bytes")

    # Section 2: the sectors.

    def read(self, sector, sectors, what):
        self.file.seek(sector * SECTOR)
        data = self.file.read(sectors * SECTOR)
        rule(len(data) == sectors * SECTOR, f"{what} goes beyond the end of the file")
        return data

    def lead_in(self, seen):
        """Yield (number, sound) for each beat of the lead-in, checked."""
        h = self.header
        data = self.read(1 + h.seekSectors, ceil_div(h.leadBytes, SECTOR), "lead-in")
        if h.soundCoding:
            rule(h.leadCRC == zlib.crc32(data), "leadCRC does not fit the lead-in")
        rule(not any(data[h.leadBytes:]), "padding of the lead-in is not zero")
        at = 0
        for number in range(h.firstBeat, h.firstBeat + h.soundLead):
            sound = data[at:at + self.sound_bytes(number)]
            at += len(sound)
            self.check_sound(number, sound, seen)
            yield number, sound

    def beats(self, seen):
        """Yield every beat, checked as far as one can while going on.

        A beat has the fields of its header, sound and frame.
        """
        h = self.header
        most_ahead = 2 * h.rateNum // h.rateDen
        sector, announced = h.beatsSector, h.firstBeatSectors
        next_key = h.firstBeat  # as the beat before says; None: no key beat follows
        for number in range(h.firstBeat, self.end_beat):
            beat = self.read_beat(number, sector)
            rule(beat.sectors == announced, f"beat {number}: sectors is {beat.sectors}, "
                 f"{announced} was announced")

            is_key = beat.frameCoding in KEY_CODINGS
            rule(is_key == (number == next_key),
                 f"beat {number} is {'a' if is_key else 'no'} key beat, "
                 "the beats before say otherwise")
            ahead = number + beat.keyAhead if beat.keyAhead else None
            rule(is_key or ahead == next_key,
                 f"keyAhead of beat {number} and of the beat before differ")
            rule(ahead is None or ahead < self.end_beat,
                 f"keyAhead of beat {number} leads behind the last beat")
            if is_key:
                until = self.end_beat if ahead is None else ahead
                rule(until - number <= most_ahead,
                     f"no key beat within two seconds of beat {number}")
            next_key = ahead

            self.check_sound(number + h.soundLead, beat.sound, seen)
            yield beat
            sector, announced = sector + beat.sectors, beat.nextSectors
        rule(sector == h.fileSectors, "the last beat does not end the file")

    def read_beat(self, number, sector):
        """Section 2.2: what a beat alone can tell."""
        h = self.header
        name = f"beat {number}"
        head = self.read(sector, 1, name)
        sync, crc, *values = BEAT_STRUCT.unpack(head[:32])
        beat = types.SimpleNamespace(**dict(zip(BEAT_FIELDS, values)))
        rule(sync == b"bt", f"{name}: beatSync is missing")
        rule(crc == binascii.crc_hqx(head[4:32], 0), f"{name}: beatCRC does not fit")
        rule(beat.number == number, f"{name}: its number is {beat.number}")
        if beat.frameCoding > KEY_TILES:
            raise Trouble("unsupported", f"{name}: frameCoding {beat.frameCoding}, "
                          "which this reader does not know")

        rule(h.frameCodings >> beat.frameCoding & 1,
             f"{name}: frameCoding is {beat.frameCoding}, which frameCodings leaves out")
        raw = self.frame_bytes
        frame, panel = {REPEAT: ((0, 0), (0, 0)), RAW: ((raw, raw), (raw, raw)),
                        TILES: ((1, raw), (1, raw)), JPEG: ((1, raw), (raw, raw)),
                        KEY_TILES: ((1, raw), (raw, raw))}[beat.frameCoding]
        for field, (least, most) in (("frameBytes", frame), ("panelBytes", panel)):
            value = getattr(beat, field)
            rule(least <= value <= most, f"{name}: {field} is {value}, legal is {least}…{most}")
        want = self.sound_bytes(number + h.soundLead)
        rule(beat.soundBytes == want, f"{name}: soundBytes is {beat.soundBytes}, not {want}")
        rule(beat.soundBytes <= h.maxSoundBytes, f"{name}: soundBytes is above maxSoundBytes")
        want = h.soundCoding if beat.soundBytes else 0
        rule(beat.soundCoding == want, f"{name}: soundCoding is {beat.soundCoding}, not {want}")
        sound_end = 32 + beat.soundBytes
        frame_at = ceil_div(sound_end, SECTOR) * SECTOR
        frame_end = frame_at + beat.frameBytes
        want = ceil_div(frame_end, SECTOR)
        rule(beat.sectors == want, f"{name}: sectors is {beat.sectors}, not {want}")
        rule((beat.nextSectors == 0) == (number == self.end_beat - 1),
             f"{name}: nextSectors is {beat.nextSectors}, 0 is for the last beat")
        rule(max(beat.sectors, beat.nextSectors) <= h.maxBeatSectors,
             f"{name}: sectors or nextSectors is above maxBeatSectors")

        data = self.read(sector, beat.sectors, name)
        rule(beat.payloadCRC == zlib.crc32(data[32:]), f"{name}: payloadCRC does not fit")
        rule(not any(data[sound_end:frame_at]), f"{name}: padding of the sound is not zero")
        rule(not any(data[frame_end:]), f"{name}: padding of the frame is not zero")
        beat.sound = data[32:sound_end]
        beat.frame = data[frame_at:frame_end]
        return beat

    # Step 7.

    def verify(self, on_frame=lambda beat, panel: None, on_sound=lambda number, sound: None):
        """Check all that is left.

        on_frame gets each beat and what the panel shows with it, on_sound the sound of each
        of this file's beats, with the number of the beat to which it belongs, in order.
        """
        h = self.header
        seen = {}
        panel = Panel(h.pixelFormat, h.width, h.height)
        for number, sound in self.lead_in(seen):
            if number < self.end_beat:
                on_sound(number, sound)

        sectors = array.array("H")
        keys = array.array("I")  # numbers of the key beats
        max_frame = max_panel = all_panel = codings = 0
        max_sound = max((self.sound_bytes(h.firstBeat + k) for k in range(h.soundLead)), default=0)
        for beat in self.beats(seen):
            sectors.append(beat.sectors)
            max_frame = max(max_frame, beat.frameBytes)
            max_panel = max(max_panel, beat.panelBytes)
            max_sound = max(max_sound, beat.soundBytes)
            all_panel += beat.panelBytes
            codings |= 1 << beat.frameCoding
            panel.show(beat)
            if beat.frameCoding in KEY_CODINGS:
                keys.append(beat.number)
            on_frame(beat, bytes(panel.pixels))
            if beat.sound and beat.number + h.soundLead < self.end_beat:
                on_sound(beat.number + h.soundLead, beat.sound)

        for name, want in (("frameCodings", codings), ("maxBeatSectors", max(sectors)),
                           ("maxFrameBytes", max_frame), ("maxPanelBytes", max_panel),
                           ("maxSoundBytes", max_sound), ("panelBytes", all_panel)):
            rule(getattr(h, name) == want, f"{name} is {getattr(h, name)}, the beats say {want}")
        for k in range(8):
            want = self.need(sectors, 4096 << k)
            rule(h.need[k] == want, f"need[{k}] is {h.need[k]}, the beats say {want}")
        self.check_seek_table(sectors, keys)

    def check_seek_table(self, sectors, keys):
        """Section 2.3."""
        h = self.header
        table = self.read(1, h.seekSectors, "seek table")
        rule(h.seekCRC == zlib.crc32(table), "seekCRC does not fit the seek table")
        starts = array.array("I", [h.beatsSector])
        for n in sectors:
            starts.append(starts[-1] + n)
        entries = list(SEEK_STRUCT.iter_unpack(table))
        used = ceil_div(h.beats, 1 << h.seekShift)
        at = 0  # in keys
        for k in range(used):
            beat = h.firstBeat + (k << h.seekShift)
            while at + 1 < len(keys) and keys[at + 1] <= beat:
                at += 1
            i = keys[at] - h.firstBeat
            s = max(i - h.soundLead, 0)  # the beat that stores its sound
            want = (keys[at], starts[i], sectors[i], sectors[s], starts[s])
            rule(entries[k] == want, f"seek entry {k} is {entries[k]}, the beats say {want}")
        rule(not any(table[used * SEEK_STRUCT.size:]), "unused seek entries are not zero")

    def need(self, sectors, buffer):
        """Section 8: the least bytes/s that play the file from a buffer of so many bytes.

        A rate holds if no run of beats asks for more. From the rate that the neediest run
        asks for, go on to the run that is neediest then, until none asks for more.
        """
        h = self.header
        whole = buffer >= SECTOR * h.maxBeatSectors
        loop = self.loops and h.beats == h.allBeats
        rate = 0
        if loop:
            rate = ceil_div(SECTOR * sum(sectors) * h.rateNum, h.beats * h.rateDen)
        while True:
            # The neediest run has the largest sum of b·rateNum − rate·rateDen.
            worst = worst_size = worst_beats = None
            asks = size = beats = 0
            for n in itertools.chain(sectors, sectors if loop else ()):
                if asks < 0:
                    asks = size = beats = 0
                asks += SECTOR * n * h.rateNum - rate * h.rateDen
                size += SECTOR * n
                beats += 1
                if worst is None or asks > worst:
                    worst, worst_size, worst_beats = asks, size, beats - whole
            if rate * worst_beats * h.rateDen >= (worst_size - buffer) * h.rateNum:
                return rate
            rate = ceil_div((worst_size - buffer) * h.rateNum, worst_beats * h.rateDen)


# Section 3: pixels.

def frame_bytes(pixel_format, w, h):
    return {
        "rgb565": 2 * w * h,
        "rgb565le": 2 * w * h,
        "rgb444": ceil_div(3 * w * h, 2),
        "rgb666": 3 * w * h,
        "rgb332": w * h,
        "grey8": w * h,
        "grey4": ceil_div(w, 2) * h,
        "mono-rows": ceil_div(w, 8) * h,
        "mono-pages": w * ceil_div(h, 8),
    }[PIXEL_FORMATS[pixel_format]]


def stray_bits(frame, pixel_format, w, h):
    """Whether a bit that stands for no pixel is set."""
    name = PIXEL_FORMATS[pixel_format]
    if name == "rgb444" and w * h % 2:
        return frame[-1] & 0x0F
    if name == "rgb666":
        return any(b & 3 for b in set(frame))
    if name == "grey4" and w % 2:
        stride = ceil_div(w, 2)
        return any(b & 0x0F for b in frame[stride - 1::stride])
    if name == "mono-rows" and w % 8:
        stride = ceil_div(w, 8)
        return any(b & (0xFF >> w % 8) for b in frame[stride - 1::stride])
    if name == "mono-pages" and h % 8:
        return any(b >> h % 8 for b in frame[-w:])
    return False


def scale(n, m):
    """Level n of 0…m as one of 0…255, rounded."""
    return (n * 255 + m // 2) // m


def pixels(frame, pixel_format, w, h):
    """The picture as stored: h rows of w pixels, (red, green, blue) or (grey,), 0…255."""
    name = PIXEL_FORMATS[pixel_format]
    of = [[scale(n, m) for n in range(m + 1)] for m in (1, 3, 7, 15, 31, 63)]
    of1, of3, of7, of15, of31, of63 = of
    if name in ("rgb565", "rgb565le"):
        order = ">" if name == "rgb565" else "<"
        words = struct.unpack(f"{order}{w * h}H", frame)
        flat = [(of31[v >> 11], of63[v >> 5 & 63], of31[v & 31]) for v in words]
    elif name == "rgb444":
        nibbles = [n for b in frame for n in (of15[b >> 4], of15[b & 15])]
        flat = list(zip(nibbles[0::3], nibbles[1::3], nibbles[2::3]))
    elif name == "rgb666":
        levels = [of63[b >> 2] for b in frame]
        flat = list(zip(levels[0::3], levels[1::3], levels[2::3]))
    elif name == "rgb332":
        flat = [(of7[b >> 5], of7[b >> 2 & 7], of3[b & 3]) for b in frame]
    elif name == "grey8":
        flat = [(b,) for b in frame]
    elif name == "mono-pages":
        flat = [(of1[frame[y // 8 * w + x] >> y % 8 & 1],) for y in range(h) for x in range(w)]
    else:
        bits = 4 if name == "grey4" else 1
        per_byte = 8 // bits
        stride = ceil_div(w, per_byte)
        levels = of15 if bits == 4 else of1
        mask = (1 << bits) - 1
        flat = [(levels[frame[y * stride + x // per_byte]
                        >> (per_byte - 1 - x % per_byte) * bits & mask],)
                for y in range(h) for x in range(w)]
    return [flat[y * w:(y + 1) * w] for y in range(h)]


# Section 3.1: tiles.

UNIT_BYTES = {"rgb565": 2, "rgb565le": 2, "rgb444": 3, "rgb666": 3}
# Tiles begin and end on multiples of so many columns and rows, or at the panel's edge.
TILE_STEPS = {"rgb444": (2, 1), "grey4": (2, 1), "mono-rows": (8, 1), "mono-pages": (1, 8)}
BITS = {"rgb565": 16, "rgb565le": 16, "rgb444": 12, "rgb666": 24, "grey4": 4, "mono-rows": 1}


def pixel_place(name, w, x, y):
    """Where the bits of a pixel begin, counted from the high bit of byte 0, and how many."""
    bits = BITS.get(name, 8)
    if name == "mono-pages":
        return (y // 8 * w + x) * 8 + 7 - y % 8, 1
    if bits < 8:  # rows begin on a byte
        return y * ceil_div(w * bits, 8) * 8 + x * bits, bits
    return (y * w + x) * bits, bits


class Panel:
    """What a panel holds."""

    def __init__(self, pixel_format, w, h):
        self.format, self.w, self.h = pixel_format, w, h
        self.name = PIXEL_FORMATS[pixel_format]
        self.pixels = bytearray(frame_bytes(pixel_format, w, h))

    def show(self, beat):
        if beat.frameCoding == RAW:
            rule(not stray_bits(beat.frame, self.format, self.w, self.h),
                 f"beat {beat.number}: bits that stand for no pixel are not 0")
            self.pixels[:] = beat.frame
        elif beat.frameCoding == JPEG:
            self.pixels[:] = Jpeg(beat.frame, f"beat {beat.number}", self.name, self.w, self.h).frame()
        elif beat.frameCoding != REPEAT:
            self.show_tiles(beat)

    def show_tiles(self, beat):
        name = f"beat {beat.number}"
        payload = Payload(beat.frame, name)
        unit = UNIT_BYTES.get(self.name, 1)
        count = int.from_bytes(payload.take(2), "little")
        rule(count, f"{name}: no tiles")
        colours = []  # the newest first
        sent = 0
        next_x = next_y = row = 0  # where key-tiles go on, and the height there
        for k in range(count):
            x, y, w, h, high = payload.take(5)
            x, y = x | (high & 3) << 8, y | (high >> 2 & 3) << 8
            w, h = (w | (high >> 4 & 3) << 8) + 1, (h | high >> 6 << 8) + 1
            rule(x + w <= self.w and y + h <= self.h, f"{name}: tile {k} leaves the panel")
            step_x, step_y = TILE_STEPS.get(self.name, (1, 1))
            rule(x % step_x == 0 and (w % step_x == 0 or x + w == self.w) and
                 y % step_y == 0 and (h % step_y == 0 or y + h == self.h),
                 f"{name}: tile {k} does not keep to whole bytes")
            if beat.frameCoding == KEY_TILES:
                rule((x, y) == (next_x, next_y) and (x == 0 or h == row),
                     f"{name}: tile {k} does not go on where the one before ends")
                row, next_x = h, x + w
                if next_x == self.w:
                    next_x, next_y = 0, y + h
            size = frame_bytes(self.format, w, h)
            sent += size
            units = ceil_div(size, unit)
            tile = bytearray()
            while len(tile) < units * unit:
                tile += payload.operation(unit, colours)
            rule(len(tile) == units * unit, f"{name}: an operation goes beyond tile {k}")
            rule(not any(tile[size:]) and not stray_bits(tile[:size], self.format, w, h),
                 f"{name}: bits of tile {k} that stand for no pixel are not 0")
            self.draw(tile, x, y, w, h)
        rule(payload.at == len(payload.data), f"{name}: bytes behind the last tile")
        rule(sent == beat.panelBytes,
             f"{name}: panelBytes is {beat.panelBytes}, the tiles have {sent}")
        if beat.frameCoding == KEY_TILES:
            rule((next_x, next_y) == (0, self.h), f"{name}: its tiles do not cover the panel")

    def draw(self, tile, x, y, w, h):
        for j in range(h):
            for i in range(w):
                source, bits = pixel_place(self.name, w, i, j)
                target, _ = pixel_place(self.name, self.w, x + i, y + j)
                for b in range(bits):
                    s, t = source + b, target + b
                    mask = 128 >> t % 8
                    if tile[s // 8] & 128 >> s % 8:
                        self.pixels[t // 8] |= mask
                    else:
                        self.pixels[t // 8] &= ~mask & 255


class Payload:
    """The bytes of a beat of tiles."""

    def __init__(self, data, name):
        self.data, self.name, self.at = data, name, 0

    def take(self, n):
        rule(self.at + n <= len(self.data), f"{self.name}: its tiles end too early")
        self.at += n
        return self.data[self.at - n:self.at]

    def operation(self, unit, colours):
        """The bytes that the next operation gives; it may change the list of colours."""
        op, = self.take(1)
        if op >> 4 == 1:
            for _ in range((op & 15) + 1):
                colours.insert(0, self.take(unit))
                del colours[16:]
            return b""
        low, = self.take(1)
        if op >> 7:
            j, n = op >> 3 & 15, ((op & 7) << 8 | low) + 1
            rule(j < len(colours), f"{self.name}: colour {j} of {len(colours)}")
            return colours[j] * n
        n = ((op & 15) << 8 | low) + 1
        if op >> 6 == 1:
            bits = (op >> 4 & 3) + 1
            size = ceil_div(n * bits, 8)
            number = int.from_bytes(self.take(size), "big")
            unused = 8 * size - n * bits
            rule(number & (1 << unused) - 1 == 0, f"{self.name}: bits behind the last index")
            units = []
            for k in range(n):
                j = number >> (8 * size - (k + 1) * bits) & (1 << bits) - 1
                rule(j < len(colours), f"{self.name}: colour {j} of {len(colours)}")
                units.append(colours[j])
            return b"".join(units)
        rule(op >> 4 == 0, f"{self.name}: operation {op:#04x} is not known")
        return self.take(n * unit)


# Section 3.2: JPEG.

# Bits of a channel; mono has one, and levels are packed below.
CHANNEL_BITS = {"rgb565": (5, 6, 5), "rgb565le": (5, 6, 5), "rgb444": (4, 4, 4), "rgb666": (6, 6, 6),
                "rgb332": (3, 3, 2), "grey8": (8,), "grey4": (4,), "mono-rows": (1,), "mono-pages": (1,)}

COSINES = [
    [8192, 11363, 10703, 9633, 8192, 6436, 4433, 2260],
    [8192, 9633, 4433, -2260, -8192, -11363, -10703, -6436],
    [8192, 6436, -4433, -11363, -8192, 2260, 10703, 9633],
    [8192, 2260, -10703, -6436, 8192, 9633, -4433, -11363],
]
COSINES += [[v if u % 2 == 0 else -v for u, v in enumerate(row)] for row in reversed(COSINES)]

RANKS = [[0, 8, 2, 10], [12, 4, 14, 6], [3, 11, 1, 9], [15, 7, 13, 5]]

# T.81, figure A.6: (v, u) of each coefficient in the order of the scan, along the diagonals.
ZIGZAG = sorted(((v, u) for v in range(8) for u in range(8)),
                key=lambda at: (sum(at), at[0] if sum(at) % 2 else at[1]))


def clamp(value, least, most):
    return min(max(value, least), most)


def jpeg_level(p, bits, rank):
    """The level of a channel of so many bits for an 8-bit value."""
    if bits >= 4:
        return (p - (p >> bits) + ((2 * rank + 1) * 2**(8 - bits) >> 5)) >> (8 - bits)
    m = 2**bits - 1
    a = p * m // 255
    d = 65025 * (2 * a + 1)
    return (16 * a + (32 * ((p * m)**2 - 65025 * a * a) + d) // (2 * d) + rank) >> 4


class Jpeg:
    """A JPEG frame: frame() gives what the panel shows, packed as section 3 has it."""

    def __init__(self, data, name, format_name, w, h):
        self.data, self.name, self.at = data, name, 0
        self.format, self.w, self.h = format_name, w, h
        self.steps, self.codes = {}, {}  # by number; by class and number
        self.components = None  # of each: factor, number of steps
        self.word = self.bits = 0  # read of the scan and not yet used

    def rule(self, holds, what):
        rule(holds, f"{self.name}: JPEG, byte {self.at}: {what}")

    def take(self, n):
        self.rule(self.at + n <= len(self.data), "it ends too early")
        self.at += n
        return self.data[self.at - n:self.at]

    def segments(self):
        """All up to the scan; returns the tables of DC and of AC of each component."""
        self.rule(self.take(2) == b"\xff\xd8", "no SOI")
        while True:
            marker, length = struct.unpack(">HH", self.take(4))
            self.rule(length >= 2, "the segment has no length")
            end = self.at + length - 2
            self.rule(end <= len(self.data), "the segment ends too late")
            if marker == 0xFFDB:
                while self.at < end:
                    number, = self.take(1)
                    self.steps[number] = self.take(64)
                    self.rule(number <= 1 and 0 not in self.steps[number], "a table of steps is wrong")
            elif marker == 0xFFC4:
                while self.at < end:
                    self.huffman()
            elif marker == 0xFFC0:
                self.start_of_frame()
            elif marker == 0xFFDA:
                tables = self.start_of_scan()
            elif 0xFFE0 <= marker <= 0xFFEF or marker == 0xFFFE:
                self.at = end
            else:
                self.rule(False, f"marker {marker:04X}")
            self.rule(self.at == end, "the segment has another length than its contents")
            if marker == 0xFFDA:
                return tables

    def huffman(self):
        which, *counts = self.take(17)
        self.rule(which & ~0x11 == 0, "no table of codes has this number")
        values = self.take(sum(counts))
        is_ac = which >> 4
        self.rule(len(values) <= (162 if is_ac else 12), "too many values")
        for v in values:
            self.rule(v in (0x00, 0xF0) or 1 <= v & 15 <= 10 if is_ac else v <= 11, f"value {v:#x}")
        codes, code, at = {}, 0, 0
        for length, n in enumerate(counts, 1):
            for v in values[at:at + n]:
                self.rule(code < 2**length - 1, "more codes than there are, all ones left out")
                codes[length, code] = v
                code += 1
            at += n
            code *= 2
        self.codes[which] = codes

    def start_of_frame(self):
        self.rule(self.components is None, "a second SOF0")
        bits, h, w, n = struct.unpack(">BHHB", self.take(6))
        self.rule((bits, w, h) == (8, self.w, self.h), "SOF0 is of another picture")
        self.rule(n in (1, 3) and (n == 1 or len(CHANNEL_BITS[self.format]) == 3), f"{n} components")
        self.components = []
        for i in range(n):
            number, factors, steps = self.take(3)
            self.rule(number == i + 1 and steps <= 1, "a component is wrong")
            self.rule(factors == 0x11 or factors == 0x22 and i == 0 and n == 3, "sampling factors")
            self.components.append((factors & 15, steps))

    def start_of_scan(self):
        self.rule(self.components is not None, "SOS before SOF0")
        self.rule(self.take(1)[0] == len(self.components), "SOS has not all components")
        tables = []
        for i, (_, steps) in enumerate(self.components):
            number, both = self.take(2)
            self.rule(number == i + 1 and both & ~0x11 == 0, "a component of SOS is wrong")
            dc, ac = both >> 4, 0x10 | both & 1
            self.rule(steps in self.steps and dc in self.codes and ac in self.codes, "a table is missing")
            tables.append((self.codes[dc], self.codes[ac]))
        self.rule(self.take(3) == b"\0\x3f\0", "the scan is none of all coefficients")
        return tables

    def bit(self):
        if self.bits == 0:
            self.word, = self.take(1)
            self.bits = 8
            if self.word == 0xFF:
                self.rule(self.take(1) == b"\0", "a marker within the scan")
        self.bits -= 1
        return self.word >> self.bits & 1

    def value(self, codes):
        code = 0
        for length in range(1, 17):
            code = code << 1 | self.bit()
            if (length, code) in codes:
                return codes[length, code]
        self.rule(False, "no code")

    def number(self, size):
        """T.81, F.2.2.1: a number of so many bits."""
        v = 0
        for _ in range(size):
            v = v << 1 | self.bit()
        return v if size == 0 or v >> (size - 1) else v - 2**size + 1

    def block(self, tables, steps, before):
        """The samples of the next block in rows, and its DC."""
        dc, ac = tables
        before += self.number(self.value(dc))
        self.rule(-2048 <= before <= 2047, "DC goes too far")
        values = [before] + [0] * 63
        k = 1
        while k < 64:
            run, size = divmod(self.value(ac), 16)
            if run == size == 0:
                break
            k += run
            self.rule(k <= 63, "a run goes beyond coefficient 63")
            values[k] = self.number(size)
            k += 1
        s = [[0] * 8 for _ in range(8)]
        for k, (v, u) in enumerate(ZIGZAG):
            s[v][u] = clamp(values[k] * steps[k], -1088, 1087)
        t = [[(sum(COSINES[y][v] * s[v][u] for v in range(8)) + 2**10) >> 11 for u in range(8)] for y in range(8)]
        return [[clamp(((sum(COSINES[x][u] * t[y][u] for u in range(8)) + 2**17) >> 18) + 128, 0, 255)
                 for x in range(8)] for y in range(8)], before

    def frame(self):
        tables = self.segments()
        factor = self.components[0][0]
        side = 8 * factor
        across, down = ceil_div(self.w, side), ceil_div(self.h, side)
        planes = [[[0] * (across * 8 * f) for _ in range(down * 8 * f)] for f, _ in self.components]
        before = [0] * len(planes)
        for row, column in itertools.product(range(down), range(across)):
            for i, (f, number) in enumerate(self.components):
                for y, x in itertools.product(range(f), range(f)):
                    samples, before[i] = self.block(tables[i], self.steps[number], before[i])
                    left = (column * f + x) * 8
                    for k, line in enumerate(samples):
                        planes[i][(row * f + y) * 8 + k][left:left + 8] = line
        self.rule(self.word & (1 << self.bits) - 1 == (1 << self.bits) - 1, "bits behind the scan that are 0")
        self.rule(self.data[self.at:] == b"\xff\xd9", "no EOI, or more behind it")
        out = bytearray(frame_bytes(PIXEL_FORMATS.index(self.format), self.w, self.h))
        for y in range(self.h):
            for x in range(self.w):
                self.put(out, x, y, self.colour([p[y // (factor if i else 1)][x // (factor if i else 1)]
                                                 for i, p in enumerate(planes)]))
        return out

    @staticmethod
    def colour(samples):
        y = samples[0]
        if len(samples) == 1:
            return y, y, y
        b, r = samples[1] - 128, samples[2] - 128
        return (clamp(y + ((91881 * r + 32768) >> 16), 0, 255),
                clamp(y - ((22554 * b + 46802 * r + 32768) >> 16), 0, 255),
                clamp(y + ((116130 * b + 32768) >> 16), 0, 255))

    def put(self, out, x, y, rgb):
        rank = RANKS[y % 4][x % 4]
        bits = CHANNEL_BITS[self.format]
        place, _ = pixel_place(self.format, self.w, x, y)  # in bits
        if len(bits) == 1:
            pixel, size = jpeg_level(rgb[0], bits[0], 15 - rank), bits[0]
        else:
            pixel = size = 0
            for value, n, k in zip(rgb, bits, (rank, 15 - rank, rank)):
                pad = 2 if self.format == "rgb666" else 0
                pixel = (pixel << n | jpeg_level(value, n, k)) << pad
                size += n + pad
        if self.format == "rgb565le":
            pixel = pixel >> 8 | (pixel & 255) << 8
        for i in range(size):
            if pixel >> (size - 1 - i) & 1:
                out[(place + i) // 8] |= 128 >> (place + i) % 8


def upright(rows, turn):
    """The picture after turn quarter turns clockwise."""
    for _ in range(turn):
        rows = list(zip(*rows[::-1]))
    return rows


def netpbm(rows):
    """PPM or PGM of a picture as pixels() gives it."""
    kind = "P6" if len(rows[0][0]) == 3 else "P5"
    head = f"{kind}\n{len(rows[0])} {len(rows)}\n255\n".encode()
    return head + bytes(v for row in rows for pixel in row for v in pixel)


# Section 4: sound.

def sample_bytes(sound_coding):
    return {U8: 1, S16: 2}[sound_coding]


STEP = [int(s) for s in """
    7 8 9 10 11 12 13 14 16 17 19 21 23 25 28 31 34 37 41 45 50 55 60 66 73 80 88 97
    107 118 130 143 157 173 190 209 230 253 279 307 337 371 408 449 494 544 598 658 724 796 876
    963 1060 1166 1282 1411 1552 1707 1878 2066 2272 2499 2749 3024 3327 3660 4026 4428 4871 5358
    5894 6484 7132 7845 8630 9493 10442 11487 12635 13899 15289 16818 18500 20350 22385 24623
    27086 29794 32767""".split()]


def adpcm_block_bytes(n, channels):
    """Bytes of a block of n samples a channel."""
    return 4 * channels * (1 + ceil_div(n - 1, 8)) if n else 0


def adpcm_nibbles(block, channel, channels):
    """All nibbles of one channel, those that stand for no sample too."""
    nibbles = []
    for at in range(4 * (channels + channel), len(block), 4 * channels):
        for byte in block[at:at + 4]:
            nibbles += (byte & 15, byte >> 4)
    return nibbles


def check_adpcm(block, n, channels, name):
    for c in range(channels):
        _, index, zero = struct.unpack_from("<hBB", block, 4 * c)
        rule(index <= 88, f"{name}: step index is {index}, legal is 0…88")
        rule(zero == 0, f"{name}: the byte behind the step index is not 0")
        rule(not any(adpcm_nibbles(block, c, channels)[n - 1:]),
             f"{name}: nibbles that stand for no sample are not 0")


def decode_adpcm_nibbles(value, index, nibbles):
    """The samples that nibbles give, and the index they leave."""
    samples = []
    for c in nibbles:
        d = STEP[index] >> 3
        if c & 4:
            d += STEP[index]
        if c & 2:
            d += STEP[index] >> 1
        if c & 1:
            d += STEP[index] >> 2
        value = max(-32768, min(32767, value - d if c & 8 else value + d))
        index = max(0, min(88, index - 1 if (c & 7) < 4 else index + 2 * (c & 7) - 6))
        samples.append(value)
    return samples, index


def decode_adpcm(block, n, channels):
    """The s16 bytes of a block of n samples a channel."""
    decoded = []
    for c in range(channels):
        value, index, _ = struct.unpack_from("<hBB", block, 4 * c)
        nibbles = adpcm_nibbles(block, c, channels)[:n - 1]
        decoded.append([value] + decode_adpcm_nibbles(value, index, nibbles)[0])
    return struct.pack(f"<{n * channels}h", *(v for t in zip(*decoded) for v in t))


# Section 6: parts.

def next_part_name(name, part):
    """Where the part after `part` of the clip lies, given where that one does."""
    base = name[:-len(".srq")] if name.endswith(".srq") else name
    own = f".part{part + 1}"
    if part and base.endswith(own):
        base = base[:-len(own)]
    return f"{base}.part{part + 2}.srq"


def is_next_part(clip, after):
    """Whether `after` goes on where clip ends."""
    a, b = clip.header, after.header
    same = ("width", "height", "pixelFormat", "turn", "soundCoding", "channels", "rateNum",
            "rateDen", "sampleRateNum", "sampleRateDen", "soundLead", "allBeats", "identity")
    return (b.part == a.part + 1 and b.firstBeat == clip.end_beat and
            after.loops == clip.loops and all(getattr(a, n) == getattr(b, n) for n in same))


# The command line.

class Sum:
    """CRC-32 of what is handed to add."""

    crc = 0

    def add(self, _, data):
        self.crc = zlib.crc32(data, self.crc)


def check(args):
    limits = {"width": args.limit_width, "height": args.limit_height,
              "wholeBytes": args.limit_whole_bytes}
    all_ok = True
    for name in args.files:
        frames, sound, panel = Sum(), Sum(), Sum()

        def on_frame(beat, shown):
            frames.add(None, beat.frame)
            panel.add(None, shown)

        try:
            with open(name, "rb") as file:
                clip = Clip(file, limits)
                clip.verify(on_frame, sound.add)
            print(f"{name}: ok, beats {clip.header.beats}, "
                  f"frames {frames.crc:08x}, sound {sound.crc:08x}, panel {panel.crc:08x}")
        except Trouble as trouble:
            all_ok = False
            print(f"{name}: {trouble.kind}: {trouble}")
    return all_ok


def info(args):
    with open(args.clip, "rb") as file:
        clip = Clip(file)
        h = clip.header
        table = clip.read(1, h.seekSectors, "seek table")
    up = (h.height, h.width) if h.turn % 2 else (h.width, h.height)
    print(f"picture   {up[0]}×{up[1]} upright, stored {h.width}×{h.height} "
          f"{PIXEL_FORMATS[h.pixelFormat]}, turn {h.turn}")
    print(f"beats     {h.beats} from beat {h.firstBeat} on, of {h.allBeats} in all parts, "
          f"{h.rateNum}/{h.rateDen} a second: {h.beats * h.rateDen / h.rateNum:.3f} s")
    if h.soundCoding:
        print(f"sound     {SOUND_CODINGS[h.soundCoding]}, {('mono', 'stereo')[h.channels - 1]}, "
              f"{h.sampleRateNum}/{h.sampleRateDen} Hz, {h.soundLead} beats ahead")
    else:
        print("sound     none")
    print(f"part      {h.part}{', more follow' if clip.more else ''}"
          f"{', loops' if clip.loops else ''}")
    print(f"memory    {h.streamBytes} bytes in strips, {h.wholeBytes} in whole beats")
    for k, rate in enumerate(h.need):
        print(f"need      {rate} bytes/s with a buffer of {4096 << k} bytes")
    print(f"identity  {h.identity.hex()}")
    used = ceil_div(h.beats, 1 << h.seekShift)
    print(f"seeking   {used} entries, one for each {1 << h.seekShift} beats")
    for k, entry in enumerate(SEEK_STRUCT.iter_unpack(table[:used * SEEK_STRUCT.size])):
        number, sector, _, _, sound_sector = entry
        print(f"          beat {h.firstBeat + (k << h.seekShift)}: key beat {number} at sector "
              f"{sector}, its sound from sector {sound_sector}")
    return True


def frames(args):
    # All parts are verified before the first file is written.
    clips = [Clip(open(args.clip, "rb"))]
    clips[0].verify()
    name = args.clip
    complete = True
    while complete and clips[-1].more:
        name = next_part_name(name, clips[-1].header.part)
        try:
            clip = Clip(open(name, "rb"))
            clip.verify()
            rule(is_next_part(clips[-1], clip), "this is not the next part")
            clips.append(clip)
        except (OSError, Trouble) as trouble:
            print(f"the clip goes on in {name}, which cannot be read: {trouble}", file=sys.stderr)
            complete = False

    os.makedirs(args.outdir)
    h = clips[0].header
    wav = None
    if h.soundCoding:
        wav = wave.open(os.path.join(args.outdir, "sound.wav"), "wb")
        wav.setnchannels(h.channels)
        wav.setsampwidth(1 if h.soundCoding == U8 else 2)
        wav.setframerate(round(h.sampleRateNum / h.sampleRateDen))  # WAV has whole rates only

    def write_frame(beat, panel):
        if beat.frameCoding == REPEAT:
            return
        picture = netpbm(upright(pixels(panel, h.pixelFormat, h.width, h.height), h.turn))
        kind = "ppm" if picture.startswith(b"P6") else "pgm"
        with open(os.path.join(args.outdir, f"beat-{beat.number:07d}.{kind}"), "wb") as file:
            file.write(picture)

    def write_sound(number, sound):
        if h.soundCoding == ADPCM:
            sound = decode_adpcm(sound, clips[0].count(number), h.channels)
        wav.writeframes(sound)

    for clip in clips:
        clip.verify(write_frame, write_sound)
        clip.file.close()
    if wav:
        wav.close()
    return complete


def main():
    parser = argparse.ArgumentParser(description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    p = commands.add_parser("info", help="the header in words")
    p.add_argument("clip", metavar="CLIP")
    p.set_defaults(run=info)
    p = commands.add_parser("frames", help="write pictures and sound")
    p.add_argument("clip", metavar="CLIP")
    p.add_argument("outdir", metavar="OUTDIR", help="a folder that does not exist yet")
    p.set_defaults(run=frames)
    p = commands.add_parser("check", help="verify clips; fails if one is not ok")
    p.add_argument("files", metavar="FILE", nargs="+")
    p.add_argument("--limit-width", type=int, metavar="N", help="largest width")
    p.add_argument("--limit-height", type=int, metavar="N", help="largest height")
    p.add_argument("--limit-whole-bytes", type=int, metavar="N", help="largest wholeBytes")
    p.set_defaults(run=check)
    args = parser.parse_args()
    for stream in (sys.stdout, sys.stderr):
        stream.reconfigure(encoding="utf-8", errors="backslashreplace")
    try:
        return 0 if args.run(args) else 1
    except Trouble as trouble:
        print(f"{args.clip}: {trouble.kind}: {trouble}", file=sys.stderr)
        return 1
    except OSError as error:
        print(error, file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
