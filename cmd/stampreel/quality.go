package main

import (
	"context"
	"fmt"
	"math"

	"github.com/urfave/cli/v2"

	"example.org/stampreel/budget"
	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
	"example.org/stampreel/transcode/quality"
	"example.org/stampreel/transcode/rate"
)

// qualityFlags are those of pack that say what a clip's picture was to be.
func qualityFlags() (flags []cli.Flag) {
	of := map[string]bool{"fit": true, "crop": true, "background": true, "brightness": true, "contrast": true, "gamma": true, "saturation": true, "from": true, "to": true, "matrix": true, "range": true}
	for _, f := range packingFlags() {
		if of[f.Names()[0]] {
			flags = append(flags, f)
		}
	}
	return flags
}

// qualityFacts is what --json says of how near a clip comes to its source.
type qualityFacts struct {
	Beats int64   `json:"beats_compared"`
	PSNR  float64 `json:"psnr_db"`       // of the mean error of all beats
	Worst float64 `json:"psnr_worst_db"` // of a beat
	SSIM  float64 `json:"ssim"`          // mean
	Least float64 `json:"ssim_worst"`
	At    float64 `json:"worst_at_s"` // of the least SSIM
}

// qualityOf holds what a clip's panel shows against the pictures of its source, scaled but
// not yet cut to the panel's levels. The source is packed in thought with the clip's rate,
// size and format and the settings given.
func qualityOf(ctx context.Context, r *container.Reader, src string, s fill.Settings) (*qualityFacts, error) {
	h := r.Header()
	q := &qualityFacts{Least: 1}
	var wrong, similar, worst float64
	err := s.Compare(ctx, src, r, false, func(beat uint32, score quality.Score) error {
		wrong, similar, worst = wrong+score.MSE, similar+score.SSIM, max(worst, score.MSE)
		if q.Beats++; score.SSIM < q.Least {
			q.Least, q.At = score.SSIM, container.BeatTime(h.Rate(), beat).Seconds()
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if q.Beats == 0 {
		return nil, fmt.Errorf("%s: no picture of it lies where the clip has one", src)
	}
	// A perfect picture has no error to take a logarithm of.
	psnr := func(mse float64) float64 { return min(quality.Score{MSE: mse}.PSNR(), 99) }
	q.PSNR, q.SSIM, q.Worst = psnr(wrong/float64(q.Beats)), similar/float64(q.Beats), psnr(worst)
	return q, nil
}

// showQuality writes it for a person.
func (c *call) showQuality(q *qualityFacts, beats uint32) {
	compared := ""
	if q.Beats < int64(beats) {
		compared = fmt.Sprintf(", of %d beats", q.Beats)
	}
	c.console.Result("%-14sPSNR %.1f dB, worst %.1f dB; SSIM %.3f, worst %.3f at %s%s", "to the source", q.PSNR, q.Worst, q.SSIM, q.Least, console.Duration(seconds(math.Max(q.At, 0))), compared)
}

// noteQuality tells what quality was achieved where it was chosen for each picture.
func (c *call) noteQuality(name string, p *fill.Packed) {
	if a := p.Result.Achieved; a != nil {
		c.console.Note("%s: JPEG, its quality chosen for each picture: SSIM %.3f, %.3f at worst; PSNR %.1f dB, %.1f at worst", console.Name(name), a.MeanSSIM, a.WorstSSIM, a.MeanPSNR, a.WorstPSNR)
	}
}

// notFit says that a clip is written and would not play; by how much even the least quality
// falls short, where that was tried, and what would make it play, each judged again.
func notFit(clip, player string, p *fill.Packed) *NotFitError {
	e := &NotFitError{Text: fmt.Sprintf("%s is written, but would not play on %s", clip, player)}
	v := &p.Verdict
	if p.Least != nil {
		v = p.Least
		lacks := "no buffer and no rate would be enough"
		if v.Typical.Margin != budget.Never {
			lacks = fmt.Sprintf("it asks for %.0f %% of what the %s gives", 100*(1-float64(v.Typical.Margin)), v.Typical.Tightest)
		}
		e.Text += fmt.Sprintf(", not even in JPEG of quality %d: %s", rate.Qualities[len(rate.Qualities)-1], lacks)
	}
	if !v.Fits() {
		return e
	}
	for _, proposal := range v.Proposals[:min(mostTries, len(v.Proposals))] {
		e.Try = append(e.Try, fmt.Sprintf("%s: %v with a margin of %s", proposal.What, proposal.Word, console.Percent(proposal.Margin)))
	}
	return e
}
