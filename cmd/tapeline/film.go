package main

import (
	"cmp"
	"context"
	"errors"
	"image"
	"io"
	"math"
	"slices"
	"sync"

	"tapeline/overlay"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
)

// filmAhead is how many pictures of the clip, and frames of each part of a
// film, are in memory.
const filmAhead = 4

// decoded is a decoded picture of the clip; with no img they have ended.
type decoded struct {
	frame int
	img   *image.YCbCr
}

// laid is a frame of the film, and how often it comes in a row.
type laid struct {
	img   *image.YCbCr
	times int
}

// paint decodes the clip once, writes its film and hands over the stills wanted
// besides. The part at real speed and the slow one are written side by side,
// since they show the same pictures; decoding, painting and encoding overlap,
// and meanwhile works on the stills while the film is finished. What the video
// hardware didn't do right is all made again without it.
func paint(ctx context.Context, c pipeline.Clip, film *overlay.Film, stills clip.Wanted, voice []float32, path string, tell pipeline.Progress, meanwhile func([]clip.Still) error) error {
	spec := filmSpec(c, film, voice)
	parts := halves(film.Shots())
	spec.Planes, spec.Parts = true, len(parts)
	lay := func() (*clip.Encoder, []clip.Still, error) {
		enc, err := clip.NewEncoder(ctx, path, spec)
		if err != nil {
			return nil, nil, err
		}
		seen, err := layShots(ctx, c, film, parts, stills, enc, tell)
		if err != nil {
			enc.Abort()
		}
		return enc, seen, err
	}
	enc, seen, err := lay()
	if errors.Is(err, clip.ErrHardware) {
		stills.Hardware = false
		span := pipeline.Tracing(ctx).Begin("software", err.Error())
		enc, seen, err = lay()
		span.End()
	}
	if err != nil {
		return err
	}
	defer enc.Abort()
	var finishing sync.WaitGroup
	finishing.Go(func() {
		defer pipeline.Catch(&err)
		defer pipeline.Tracing(ctx).Begin("finish", "finish film").End()
		err = enc.Close()
	})
	other := func() (err error) {
		defer pipeline.Catch(&err) // the film must have ended
		return meanwhile(seen)
	}()
	finishing.Wait()
	return cmp.Or(err, other)
}

// halves are the shots before the slow passage and those from it on: in each
// the clip never goes back.
func halves(shots []overlay.Shot) [][]overlay.Shot {
	for i, s := range shots {
		if i > 0 && (s.Pass == 2 || s.Part == overlay.EndCard) {
			return [][]overlay.Shot{shots[:i], shots[i:]}
		}
	}
	return [][]overlay.Shot{shots}
}

// half is one of the parts while it is laid.
type half struct {
	shots  []overlay.Shot // still to come
	frames chan laid
	free   chan *image.YCbCr
}

// layShots hands all shots of the film to the encoder's parts.
func layShots(ctx context.Context, c pipeline.Clip, film *overlay.Film, parts [][]overlay.Shot, stills clip.Wanted, enc *clip.Encoder, tell pipeline.Progress) (_ []clip.Still, err error) {
	ctx, cancel := context.WithCancel(ctx)
	tr := pipeline.Tracing(ctx)
	var ending sync.WaitGroup
	faults := make([]error, 1+len(parts)) // of reading, and of writing each part
	defer func() {
		cancel()
		ending.Wait()
		// What began it, not what came of it; a cancelled reader is no fault.
		if i := slices.IndexFunc(faults[1:], func(e error) bool { return e != nil }); i >= 0 {
			err = faults[1+i]
		} else if faults[0] != nil && (err == nil || errors.Is(err, errNoPicture) || errors.Is(err, context.Canceled)) {
			err = faults[0]
		}
	}()

	w, h := film.Size()
	var halves []*half
	for i, shots := range parts {
		p := &half{shots, make(chan laid, filmAhead), make(chan *image.YCbCr, filmAhead)}
		for range filmAhead {
			p.free <- clip.NewPlanes(w, h)
		}
		halves = append(halves, p)
		defer close(p.frames) // before the wait above
		ending.Go(func() {
			defer cancel() // nobody waits for a place that won't come
			defer pipeline.Catch(&faults[1+i])
			for f := range p.frames {
				span := tr.Begin("encode", "encode")
				if faults[1+i] = enc.Part(i).WritePlanes(f.img, f.times); faults[1+i] != nil {
					return
				}
				span.End()
				p.free <- f.img
			}
		})
	}

	pw, ph := film.Picture()
	stills.Frames, stills.Width, stills.Height = sources(film.Shots()), pw, ph
	var got []clip.Still
	pictures, seen := make(chan decoded, filmAhead), make(chan *image.YCbCr, filmAhead)
	for range filmAhead {
		seen <- clip.NewPlanes(pw, ph)
	}
	ending.Go(func() {
		defer close(pictures)
		defer pipeline.Catch(&faults[0])
		if got, faults[0] = readPictures(ctx, c, stills, pictures, seen); faults[0] != nil {
			cancel()
		}
	})

	done, all := 0, len(film.Shots())
	// lay makes the next frame of a part, on that picture.
	lay := func(p *half, img *image.YCbCr) error {
		tell.Tell("paint", done, all)
		s, times := p.shots[0], 1
		for times < len(p.shots) && p.shots[times] == s {
			times++ // a held picture is painted once
		}
		var frame *image.YCbCr
		select {
		case frame = <-p.free:
		case <-ctx.Done():
			return ctx.Err()
		}
		span := tr.Begin("show", "paint")
		err := film.Lay(img, s, frame)
		span.End()
		if err != nil {
			return err
		}
		p.frames <- laid{frame, times} // has room for all there are
		p.shots, done = p.shots[times:], done+times
		return nil
	}
	var now decoded
	for {
		for _, p := range halves {
			for len(p.shots) > 0 && p.shots[0].Source <= now.frame && (p.shots[0].Source < 0 || now.img != nil) {
				if err := lay(p, now.img); err != nil {
					return nil, err
				}
			}
		}
		if done == all {
			break
		}
		next, ok, err := following(ctx, pictures)
		switch {
		case err != nil:
			return nil, err
		case ok:
			if now.img != nil {
				seen <- now.img
			}
			now = next
		case now.img == nil || now.frame == math.MaxInt:
			return nil, errNoPicture
		default:
			// Behind the end of a clip whose last pictures are missing it stays
			// on the last one there is.
			now.frame = math.MaxInt
		}
	}
	tell.Tell("paint", all, all)
	for { // the stills
		if _, ok, err := following(ctx, pictures); err != nil || !ok {
			return got, err
		}
	}
}

var errNoPicture = errors.New("no picture of the clip could be decoded for the film")

// following is the next picture; not ok: there are no more.
func following(ctx context.Context, pictures <-chan decoded) (next decoded, ok bool, err error) {
	select {
	case next, ok = <-pictures:
		return next, ok, nil
	case <-ctx.Done():
		return next, false, ctx.Err()
	}
}

// readPictures decodes the film's pictures and gives the stills.
func readPictures(ctx context.Context, c pipeline.Clip, want clip.Wanted, out chan<- decoded, seen <-chan *image.YCbCr) ([]clip.Still, error) {
	reel, err := clip.OpenPlanes(ctx, c, want)
	if err != nil {
		return nil, err
	}
	defer reel.Close()
	for {
		var img *image.YCbCr
		select {
		case img = <-seen:
		case <-ctx.Done():
			return nil, nil
		}
		n, err := reel.Next(img)
		if errors.Is(err, io.EOF) {
			return reel.Stills()
		}
		if err != nil {
			return nil, err
		}
		select {
		case out <- decoded{n, img}:
		case <-ctx.Done():
			return nil, nil
		}
	}
}

// sources are the frames of the clip that the shots show, rising.
func sources(shots []overlay.Shot) (out []int) {
	for _, s := range shots {
		if s.Source >= 0 {
			out = append(out, s.Source)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
