package playerfile

import (
	"fmt"
	"strings"
	"time"

	"example.org/stampreel/budget/card"
)

// CHeader is the player as constants of a C header, for a firmware that must
// agree with the clips that are packed for it. Each says where its figure comes
// from; what nobody has given is left out. Clocks and rates are ratios of whole
// numbers, as in a clip's header, and pixel formats and turns its codes
// (FORMAT.md). from is the name of the player file.
func (p *Player) CHeader(from string) string {
	h := cHeader{}
	s, stored := p.Panel.Size.Value, p.StoredSize()
	h.line("panel")
	h.number("WIDTH", s.W, "as the viewer sees it", p.Panel.Size.Origin)
	h.number("HEIGHT", s.H, "", p.Panel.Size.Origin)
	h.number("STORED_WIDTH", stored.W, "as clips store it and the panel scans it", p.Panel.Size.Origin)
	h.number("STORED_HEIGHT", stored.H, "", p.Panel.Size.Origin)
	h.number("TURN", p.Panel.Mounted.Value, "quarter turns clockwise that bring it upright", p.Panel.Mounted.Origin)
	h.number("ROUND", boolean(p.Panel.Shape.Value == Round), "only the ellipse inside shows", p.Panel.Shape.Origin)
	h.number("PIXEL_FORMAT", int(p.Panel.Pixels.Value), p.Panel.Pixels.Value.String(), p.Panel.Pixels.Origin)
	h.number("FRAME_BYTES", p.FrameBytes(), "one whole picture", p.Panel.Pixels.Origin)
	h.number("OFFSET_X", p.Panel.Offset.Value.X, "of the first pixel in the panel's memory", p.Panel.Offset.Origin)
	h.number("OFFSET_Y", p.Panel.Offset.Value.Y, "", p.Panel.Offset.Origin)
	h.number("BGR", boolean(p.Panel.ColourOrder.Value == BGR), "the panel's memory keeps blue first", p.Panel.ColourOrder.Origin)
	h.number("INVERTED", boolean(p.Panel.Inverted.Value), "the panel shows complements unless told otherwise", p.Panel.Inverted.Origin)
	h.ratio("PANEL_CLOCK", p.Panel.RealClock, "Hz")
	h.ratio("REFRESH", p.Panel.Refresh, "Hz")
	h.line("sound")
	h.number("HAS_SOUND", boolean(p.HasSound()), "", Declared)
	if p.HasSound() {
		h.ratio("SAMPLE_RATE", p.Sound.RealRate, "Hz, real")
		h.number("SAMPLE_BITS", p.Sound.Bits.Value, "8 unsigned, 16 signed", p.Sound.Bits.Origin)
		h.number("CHANNELS", p.Sound.Channels.Value, "", p.Sound.Channels.Origin)
	}
	h.line("card")
	lines := 1
	if p.Card.Wiring.Value == card.FourBit {
		lines = 4
	}
	h.number("CARD_SPI", boolean(p.Card.Wiring.Value == card.SPI), "else the card's own bus", p.Card.Wiring.Origin)
	h.number("CARD_DATA_LINES", lines, "that carry what is read", p.Card.Wiring.Origin)
	h.ratio("CARD_CLOCK", p.Card.RealClock, "Hz")
	h.number("CARD_SHARES_BUS", boolean(p.Card.Bus.Value == Shared), "with the panel", p.Card.Bus.Origin)
	stall := p.Stall()
	h.number("STALL_MICROS", stall.Value/time.Microsecond, "longest pause in ordinary use", stall.Origin)
	h.line("memory")
	h.number("READ_AHEAD_BYTES", p.Memory.ReadAhead.Value, "for what was read and not yet shown or heard", p.Memory.ReadAhead.Origin)
	h.number("BEAT_BUFFERS", p.Memory.Buffers.Value, "in it, each for a whole beat", p.Memory.Buffers.Origin)
	return fmt.Sprintf(`/* %s
   Made by "stampreel player header" from %s: change that, not this. */
#ifndef PLAYER_H
#define PLAYER_H
%s
#endif
`, harmless(p.Name.Value), harmless(from), h.text.String())
}

type cHeader struct{ text strings.Builder }

func (h *cHeader) line(section string) { fmt.Fprintf(&h.text, "\n/* %s */\n", section) }

func (h *cHeader) number(name string, value any, what string, o Origin) {
	if o == Unknown {
		return
	}
	why := o.String()
	if what != "" {
		why = what + "; " + why
	}
	fmt.Fprintf(&h.text, "#define %-24s %-10s /* %s */\n", "PLAYER_"+name, fmt.Sprintf("%d", value), why)
}

func (h *cHeader) ratio(name string, r Figure[Ratio], unit string) {
	h.number(name+"_NUM", r.Value.Num, unit, r.Origin)
	h.number(name+"_DEN", r.Value.Den, "", r.Origin)
}

func boolean(b bool) int {
	if b {
		return 1
	}
	return 0
}

// harmless makes a text fit for a C comment.
func harmless(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == '*' || r == 0x7f {
			return '_'
		}
		return r
	}, text)
}
