package main

import (
	"bytes"
	"context"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"io/fs"
	"math"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/chromedp/chromedp"

	"tapeline/detect/pose"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
)

//go:embed browser
var page embed.FS

const browserLimit = 20 * time.Minute

// looked is what the runtime in the browser says of one frame.
type looked struct {
	MS     float64      `json:"ms"`
	Points [][2]float64 `json:"points"` // parts of the picture's width and height
}

type lookedAll struct {
	Alone     []looked `json:"alone"`
	Following []looked `json:"following"`
	Renderer  string   `json:"renderer"`
}

// compare has the official runtime look at frames of a sample in headless
// Chromium, does the same here, and says how far the landmarks lie apart and
// how long a frame takes. dir is the unpacked package.
//
// The runtime's networks run on the CPU, its own option: by WebGL, which is
// done on the CPU too where there is no graphics processor, they took 27 s a
// frame. Its pictures go through WebGL all the same.
func (b *bench) compare(dir string, count int) error {
	frames, err := frames(filepath.Join(b.samples, "open_faults.mp4"), count)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), browserLimit)
	defer cancel()
	address, stop, err := serve(dir, frames)
	if err != nil {
		return err
	}
	defer stop()
	ctx, closeBrowser, err := b.chromium(ctx)
	if err != nil {
		return err
	}
	defer closeBrowser()
	f := frames[0]
	fmt.Fprintf(b.w, "%d frames of %d×%d, %d rounds; ms a frame are medians over frames and rounds, in brackets least and most of the rounds' medians.\n\n", len(frames), f.Width, f.Height, b.pairs)
	fmt.Fprintln(b.w, "| network, mode | browser, ms | here, ms | browser ÷ here | landmarks apart, px: mean, most |\n|---|---|---|---|---|")
	for _, n := range []struct {
		net        string
		complexity int
	}{{pose.Full, 1}, {pose.Heavy, 2}} {
		type round struct{ alone, ourAlone, following, ourFollowing float64 }
		var rounds []round
		var theirs lookedAll
		var ours []looked
		for i := range b.pairs {
			if theirs, err = inBrowser(ctx, address, len(frames), n.complexity); err != nil {
				return err
			}
			if len(theirs.Alone) != len(frames) || len(theirs.Following) != len(frames) {
				return errors.New("the browser has not looked at every frame")
			}
			alone, following, err := b.here(n.net, frames)
			if err != nil {
				return err
			}
			ours = alone
			r := round{middle(theirs.Alone), middle(alone), middle(theirs.Following), middle(following)}
			rounds = append(rounds, r)
			fmt.Fprintf(os.Stderr, "bench: %s, round %d of %d: found anew %.0f ÷ %.0f ms, followed %.0f ÷ %.0f ms; WebGL is %s\n", n.net, i+1, b.pairs,
				r.alone, r.ourAlone, r.following, r.ourFollowing, theirs.Renderer)
		}
		mean, most, both := apart(theirs.Alone, ours, f.Width, f.Height)
		of := func(g func(round) float64) figure { return figureOf(rounds, g) }
		fmt.Fprintf(b.w, "| %s, found anew | %.0f | %.1f | %.1f | %.4f, %.4f in %d frames |\n", n.net,
			of(func(r round) float64 { return r.alone }), of(func(r round) float64 { return r.ourAlone }),
			of(func(r round) float64 { return r.alone / r.ourAlone }), mean, most, both)
		fmt.Fprintf(b.w, "| %s, followed | %.0f | %.1f | %.1f | |\n", n.net,
			of(func(r round) float64 { return r.following }), of(func(r round) float64 { return r.ourFollowing }),
			of(func(r round) float64 { return r.following / r.ourFollowing }))
	}
	return nil
}

func middle(l []looked) float64 { return figureOf(l, func(l looked) float64 { return l.MS }).mid }

// here is the same work by our own see-stage: crop and networks.
func (b *bench) here(net string, frames []pipeline.Frame) (alone, following []looked, err error) {
	found := func(f *pipeline.Frame) (pipeline.Region, bool, error) {
		people, err := b.nets.Detect(f)
		if err != nil || len(people) == 0 {
			return pipeline.Region{}, false, err
		}
		return people[0].Region, true, nil
	}
	for i := range frames {
		f, l := &frames[i], looked{}
		begun := time.Now()
		at, ok, err := found(f)
		if err != nil {
			return nil, nil, err
		}
		if ok {
			r, err := b.nets.Read(net, f, at)
			if err != nil {
				return nil, nil, err
			}
			for _, j := range r.Pose.Joints {
				l.Points = append(l.Points, [2]float64{j.X / float64(f.Width), j.Y / float64(f.Height)})
			}
		}
		l.MS = time.Since(begun).Seconds() * 1e3
		alone = append(alone, l)
	}
	at, ok, err := found(&frames[0])
	if err != nil || !ok {
		return nil, nil, errors.Join(err, errors.New("nobody in the first frame"))
	}
	w := b.nets.Follow(net, at)
	for i := range frames {
		begun := time.Now()
		if _, err := w.Step(&frames[i], nil); err != nil {
			return nil, nil, err
		}
		following = append(following, looked{MS: time.Since(begun).Seconds() * 1e3})
	}
	return alone, following, nil
}

// apart are the distances of the landmarks both have found, pixels, and in how
// many frames that is.
func apart(a, b []looked, w, h int) (mean, most float64, frames int) {
	n := 0
	for i := range a {
		if len(a[i].Points) == 0 || len(a[i].Points) != len(b[i].Points) {
			continue
		}
		frames++
		for j, p := range a[i].Points {
			q := b[i].Points[j]
			d := math.Hypot((p[0]-q[0])*float64(w), (p[1]-q[1])*float64(h))
			mean, most, n = mean+d, max(most, d), n+1
		}
	}
	return mean / float64(max(1, n)), most, frames
}

// frames are some of a clip, evenly, colours right.
func frames(path string, count int) ([]pipeline.Frame, error) {
	ctx := context.Background()
	c, err := clip.Probe(ctx, path)
	if err != nil {
		return nil, err
	}
	var only []int
	count = min(count, len(c.PTS))
	for i := range count {
		only = append(only, i*len(c.PTS)/count)
	}
	src, err := clip.Open(ctx, c, clip.Options{Exact: true, Only: only})
	if err != nil {
		return nil, err
	}
	defer src.Close()
	var out []pipeline.Frame
	for {
		f, err := src.Next()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, err
		}
		one := *f
		one.Pix = bytes.Clone(f.Pix)
		out = append(out, one)
	}
}

// serve offers page, runtime and frames on this machine.
func serve(dir string, frames []pipeline.Frame) (address string, stop func(), err error) {
	pages, err := fs.Sub(page, "browser")
	if err != nil {
		return "", nil, err
	}
	mux := http.NewServeMux()
	mux.Handle("/", http.FileServerFS(pages))
	mux.Handle("/runtime/", http.StripPrefix("/runtime/", http.FileServer(http.Dir(dir))))
	mux.HandleFunc("/frame/{name}", func(w http.ResponseWriter, r *http.Request) {
		i, err := strconv.Atoi(strings.TrimSuffix(r.PathValue("name"), ".png"))
		if err != nil || i < 0 || i >= len(frames) {
			http.NotFound(w, r)
			return
		}
		f := frames[i]
		img := image.NewRGBA(image.Rect(0, 0, f.Width, f.Height))
		for k := range f.Width * f.Height {
			p := f.Pix[3*k:]
			img.SetRGBA(k%f.Width, k/f.Width, color.RGBA{p[2], p[1], p[0], 255})
		}
		w.Header().Set("Content-Type", "image/png")
		_ = png.Encode(w, img) // whoever asked has gone
	})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", nil, err
	}
	s := &http.Server{Handler: mux}
	go func() { _ = s.Serve(l) }() // until Close
	return "http://" + l.Addr().String(), func() { s.Close() }, nil
}

// chromium starts a browser that knows of nothing but what it is given. It has
// no graphics processor: SwiftShader does WebGL on the CPU.
func (b *bench) chromium(ctx context.Context) (context.Context, func(), error) {
	path, err := exec.LookPath("chromium")
	if err != nil {
		return nil, nil, err
	}
	dir, err := os.MkdirTemp(b.out, "chromium-")
	if err != nil {
		return nil, nil, err
	}
	options := []chromedp.ExecAllocatorOption{chromedp.ExecPath(path), chromedp.UserDataDir(dir)}
	for _, on := range []string{"disable-gpu", "enable-unsafe-swiftshader", "disable-quic", "disable-component-update", "disable-sync", "disable-background-networking", "disable-dev-shm-usage", "no-first-run"} {
		options = append(options, chromedp.Flag(on, true))
	}
	options = append(options, chromedp.Flag("use-angle", "swiftshader"))
	if os.Getuid() == 0 {
		options = append(options, chromedp.NoSandbox)
	}
	ctx, stop := chromedp.NewContext(ctx, chromedp.WithAllocatorOptions(options...))
	if err := chromedp.Do(ctx); err != nil {
		stop()
		return nil, nil, err
	}
	return ctx, stop, nil
}

func inBrowser(ctx context.Context, address string, count, complexity int) (all lookedAll, err error) {
	if err := chromedp.Do(ctx, chromedp.Navigate(address+"/index.html")); err != nil {
		return all, err
	}
	text, err := chromedp.Run(ctx, chromedp.Evaluate[string](fmt.Sprintf("compare(%d, %d)", count, complexity), chromedp.EvalAwaitPromise))
	if err != nil {
		return all, err
	}
	return all, json.Unmarshal([]byte(text), &all)
}
