package transcode

import (
	"context"

	"golang.org/x/sync/errgroup"

	"example.org/stampreel/transcode/picture"
)

// Ideals visits, in order, what a clip that is made from this input with these options
// would show if the panel had endless levels, and for which of its beats. Sound is left
// out. The picture is valid until visit returns.
func Ideals(ctx context.Context, in Input, o Options, visit func(first, beats int64, ideal *picture.Linear) error) error {
	o.Sound = nil
	r := &runner{in: in, o: o}
	if err := r.prepare(ctx); err != nil {
		return err
	}
	renderer, err := picture.NewRenderer(o.Picture)
	if err != nil {
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
				if failed = r.ideal(renderer, j, visit); failed != nil {
					stop() // what is on its way is still to be given back
				}
			}
			j.timed.Release()
		}
		return nil
	})
	err = g.Wait()
	if failed != nil {
		return failed
	}
	return err
}

func (r *runner) ideal(renderer *picture.Renderer, j *job, visit func(first, beats int64, ideal *picture.Linear) error) error {
	renderer.Soften(r.softAt(j.first))
	ideal, err := renderer.Ideal(j.timed.Picture)
	if err != nil {
		return err
	}
	return visit(j.first, j.beats, ideal)
}
