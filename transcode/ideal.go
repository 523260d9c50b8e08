package transcode

import (
	"context"

	"golang.org/x/sync/errgroup"

	"example.org/stampreel/transcode/picture"
)

// Pictures visits, in order, the pictures of which a clip is made with this input and
// these options, before they are cut to a panel's levels, and for which of its beats each
// stays. Sound is left out, and so is softening. A picture is valid until visit returns.
func Pictures(ctx context.Context, in Input, o Options, visit func(first, beats int64, p picture.Picture) error) error {
	o.Sound = nil
	r := &runner{in: in, o: o}
	if err := r.prepare(ctx); err != nil {
		return err
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	g, ctx := errgroup.WithContext(ctx)
	var failed error
	todo := make(chan *job, 1)
	ordered := make(chan *job, 1)
	g.Go(func() error {
		defer close(todo)
		defer close(ordered)
		return r.read(ctx, todo, ordered)
	})
	g.Go(func() error {
		for range ordered { // the same as todo, which one worker takes in order
		}
		return nil
	})
	g.Go(func() error {
		for j := range todo {
			if failed == nil {
				if failed = visit(j.first, j.beats, j.timed.Picture); failed != nil {
					stop() // what is on its way is still to be given back
				}
			}
			j.timed.Release()
		}
		return nil
	})
	err := g.Wait()
	if failed != nil {
		return failed
	}
	return err
}
