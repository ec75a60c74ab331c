package main

import (
	"context"
	"errors"
	"image"
	"io"
	"math"
	"sync"

	"tapeline/overlay"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
)

// filmAhead is how many pictures and how many frames of a film are in memory.
const filmAhead = 4

// decoded is a decoded picture of a pass; with no img the pass has ended.
type decoded struct {
	pass, frame int
	img         *image.YCbCr
}

// laid is a frame of the film, and how often it comes in a row.
type laid struct {
	img   *image.YCbCr
	times int
}

// paint decodes the clip once a pass of the film and writes its shots:
// decoding, painting and encoding overlap.
func paint(ctx context.Context, c pipeline.Clip, film *overlay.Film, voice []float32, path string, tell pipeline.Progress) (err error) {
	spec := filmSpec(c, film, voice)
	spec.Planes = true
	enc, err := clip.NewEncoder(ctx, path, spec)
	if err != nil {
		return err
	}
	defer enc.Abort()
	if err := layShots(ctx, c, film, enc, tell); err != nil {
		return err
	}
	defer pipeline.Tracing(ctx).Begin("show", "finish film").End()
	return enc.Close()
}

// layShots hands all shots of the film to the encoder.
func layShots(ctx context.Context, c pipeline.Clip, film *overlay.Film, enc *clip.Encoder, tell pipeline.Progress) (err error) {
	ctx, cancel := context.WithCancel(ctx)
	tr := pipeline.Tracing(ctx)
	var ending sync.WaitGroup
	var faults [2]error // of reading and of writing
	defer func() {
		cancel()
		ending.Wait()
		// What began it, not what came of it; a cancelled reader is no fault.
		if faults[1] != nil {
			err = faults[1]
		} else if faults[0] != nil && (err == nil || errors.Is(err, errNoPicture)) {
			err = faults[0]
		}
	}()

	pw, ph := film.Picture()
	pictures, seen := make(chan decoded, filmAhead), make(chan *image.YCbCr, filmAhead)
	for range filmAhead {
		seen <- clip.NewPlanes(pw, ph)
	}
	ending.Go(func() {
		defer close(pictures)
		defer pipeline.Catch(&faults[0])
		faults[0] = readPictures(ctx, c, film, pictures, seen)
	})

	w, h := film.Size()
	frames, free := make(chan laid, filmAhead), make(chan *image.YCbCr, filmAhead)
	for range filmAhead {
		free <- clip.NewPlanes(w, h)
	}
	defer close(frames) // before the wait above
	ending.Go(func() {
		defer cancel() // nobody waits for a place that won't come
		defer pipeline.Catch(&faults[1])
		for f := range frames {
			for range f.times {
				span := tr.Begin("encode", "encode")
				if faults[1] = enc.WritePlanes(f.img); faults[1] != nil {
					return
				}
				span.End()
			}
			free <- f.img
		}
	})

	shots := film.Shots()
	var now decoded
	for i := 0; i < len(shots); {
		tell.Tell("paint", i, len(shots))
		s, times := shots[i], 1
		for i+times < len(shots) && shots[i+times] == s {
			times++ // a held picture is painted once
		}
		if s.Source >= 0 {
			if now, err = wind(ctx, now, s, pictures, seen); err != nil {
				return err
			}
		}
		var out *image.YCbCr
		select {
		case out = <-free:
		case <-ctx.Done():
			return ctx.Err()
		}
		span := tr.Begin("show", "paint")
		err := film.Lay(now.img, s, out)
		span.End()
		if err != nil {
			return err
		}
		frames <- laid{out, times} // has room for all there are
		i += times
	}
	tell.Tell("paint", len(shots), len(shots))
	return nil
}

var errNoPicture = errors.New("no picture of the clip could be decoded for the film")

// wind goes on to the picture of a shot. Behind the end of a clip whose last
// pictures are missing it stays on the last one there is.
func wind(ctx context.Context, now decoded, s overlay.Shot, pictures <-chan decoded, seen chan<- *image.YCbCr) (decoded, error) {
	for now.pass != s.Pass || now.frame < s.Source {
		select {
		case p, ok := <-pictures:
			switch {
			case !ok || p.img == nil && now.pass != s.Pass && p.pass == s.Pass:
				return now, errNoPicture
			case p.img == nil && p.pass == now.pass && p.pass == s.Pass:
				now.frame = math.MaxInt
			case p.img != nil:
				if now.img != nil {
					seen <- now.img
				}
				now = p
			}
		case <-ctx.Done():
			return now, ctx.Err()
		}
	}
	return now, nil
}

// readPictures decodes the pictures of each pass, all passes begun at once so
// that none waits for what lies before its first picture.
func readPictures(ctx context.Context, c pipeline.Clip, film *overlay.Film, out chan<- decoded, seen <-chan *image.YCbCr) error {
	w, h := film.Picture()
	type pass struct {
		number int
		reel   *clip.Planes
	}
	var passes []pass
	for _, want := range sources(film.Shots()) {
		reel, err := clip.OpenPlanes(ctx, c, want.frames, w, h)
		if err != nil {
			return err
		}
		defer reel.Close()
		passes = append(passes, pass{want.pass, reel})
	}
	var img *image.YCbCr // one to decode into
	for _, p := range passes {
		for {
			if img == nil {
				select {
				case img = <-seen:
				case <-ctx.Done():
					return nil
				}
			}
			n, err := p.reel.Next(img)
			next := decoded{p.number, n, img}
			if errors.Is(err, io.EOF) {
				next.img = nil
			} else if err != nil {
				return err
			} else {
				img = nil
			}
			select {
			case out <- next:
			case <-ctx.Done():
				return nil
			}
			if next.img == nil {
				break
			}
		}
	}
	return nil
}

// needed are the frames of the clip that a pass shows, rising.
type needed struct {
	pass   int
	frames []int
}

func sources(shots []overlay.Shot) (out []needed) {
	for _, s := range shots {
		if s.Source < 0 {
			continue
		}
		if n := len(out); n == 0 || out[n-1].pass != s.Pass {
			out = append(out, needed{pass: s.Pass})
		}
		f := &out[len(out)-1].frames
		if n := len(*f); n == 0 || (*f)[n-1] != s.Source {
			*f = append(*f, s.Source)
		}
	}
	return out
}
