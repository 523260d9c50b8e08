package budget

import "example.org/stampreel/budget/playerfile"

// Seam judges going on from one clip to the next without a gap, at the typical level:
// the next file is opened while the last beats of the one before are played. alike is
// false where a player has to set itself up anew in between, as pictures, rate or sound
// differ.
func Seam(from, to Clip, p *playerfile.Player) (level Level, alike bool, err error) {
	from.Loops, to.Loops = false, false
	both, err := Join(from, to)
	if err != nil {
		return Level{}, false, nil
	}
	s, err := both.check()
	if err != nil {
		return Level{}, true, err
	}
	level, err = timely(&both, s, p, p.Stall())
	return level, true, err
}
