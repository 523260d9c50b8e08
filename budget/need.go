package budget

import "example.org/stampreel/budget/playerfile"

// Need is the smallest rate in bytes a second at which a player's card, with the pauses that
// its file gives, brings a clip's pictures in time; 0 where no rate would be enough.
func Need(c Clip, p *playerfile.Player) (float64, error) {
	s, err := c.check()
	if err != nil {
		return 0, err
	}
	v, err := timely(&c, s, p, p.Stall())
	if err != nil {
		return 0, err
	}
	return v.Rows[0].Need, nil
}
