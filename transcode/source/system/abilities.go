//go:build !nosystem && (linux || darwin || windows) && (amd64 || arm64)

package system

import "fmt"

// report answers with a Report.
func (w *worker) report() error {
	var major, minor, micro, nano uint32
	version(&major, &minor, &micro, &nano)
	r := Report{Version: fmt.Sprintf("%d.%d.%d", major, minor, micro)}
	decoders := decoderFactories()
	able := func(table []codec) (list []Ability) {
		for i, c := range table {
			if i > 0 && table[i-1].name == c.name {
				continue
			}
			caps := capsFromString(c.caps)
			list = append(list, Ability{c.name, decodes(decoders, caps)})
			miniUnref(caps)
		}
		return list
	}
	r.Videos, r.Sounds = able(videoCodecs), able(soundCodecs)
	w.json(msgInfo, r)
	return nil
}
