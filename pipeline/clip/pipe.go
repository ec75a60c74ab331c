package clip

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"slices"
	"strings"

	"gocv.io/x/gocv"

	"tapeline/pipeline"
)

// pipe decodes with an ffmpeg process that hands over packed BGR.
type pipe struct {
	cancel context.CancelFunc
	cmd    *exec.Cmd
	out    io.ReadCloser
	errs   bytes.Buffer
	w, h   int
	chosen bool // only frames that are wanted come
	waited bool
}

// openPipe gives pictures as displayed and as small as asked.
func openPipe(ctx context.Context, c pipeline.Clip, demuxer string, from, to int, only []int, small fitted) (reader, error) {
	which, n := fmt.Sprintf("gte(n,%d)", from), to-from
	if only != nil {
		which, n = choice(only), len(only)
	}
	p, err := startPipe(ctx, c, demuxer, n, append([]string{selected(which)}, toBGR(c, small)...), "bgr24")
	if err != nil {
		return nil, err
	}
	p.w, p.h, p.chosen = small.w, small.h, only != nil
	return p, nil
}

// startPipe gives the first n pictures that come out of the filters.
func startPipe(ctx context.Context, c pipeline.Clip, demuxer string, n int, filters []string, format string) (*pipe, error) {
	return startDecoder(ctx, c, demuxer, nil, nil, append([]string{"-map", "0:V:0", "-vf", strings.Join(filters, ",")}, pictures(n, format, 1)...)...)
}

// pictures are the arguments of an output of n raw pictures to a descriptor.
func pictures(n int, format string, to int) []string {
	return []string{"-fps_mode", "passthrough", "-frames:v", fmt.Sprint(n), "-f", "rawvideo", "-pix_fmt", format, fmt.Sprintf("pipe:%d", to)}
}

// decoderThreads keep two processors busy; each has pictures of its own.
const decoderThreads = "2"

// startDecoder starts ffmpeg on the clip, with those files as its descriptors
// from 3 on; how is said of the decoder besides.
func startDecoder(ctx context.Context, c pipeline.Clip, demuxer string, files []*os.File, how []string, args ...string) (*pipe, error) {
	in, err := input(c.Path, demuxer)
	if err != nil {
		return nil, err
	}
	own, cancel := context.WithCancel(ctx)
	p := &pipe{cancel: cancel}
	p.cmd = command(own, "ffmpeg", slices.Concat([]string{"-nostdin", "-v", "error", "-noautorotate", "-threads", decoderThreads}, how, in, args)...)
	p.cmd.Stderr, p.cmd.ExtraFiles = &p.errs, files
	if p.out, err = p.cmd.StdoutPipe(); err == nil {
		wide(p.out)
		err = p.cmd.Start()
	}
	if err != nil {
		cancel()
		return nil, failed(ctx, stepDecode, c.Path, "ffmpeg", err, "")
	}
	return p, nil
}

// turning are ffmpeg's filters for the rotations for display, clockwise.
var turning = map[int][]string{90: {"transpose=clock"}, 180: {"hflip", "vflip"}, 270: {"transpose=cclock"}}

// toBGR are the filters that turn the picture, make it small and bring the
// clip's colours to full-range BT.709 BGR.
func toBGR(c pipeline.Clip, small fitted) []string {
	out := slices.Clone(turning[c.Rotation])
	size, how := "", "bicubic"
	if small.scale != 1 {
		if small.cutW != c.Width || small.cutH != c.Height {
			out = append(out, fmt.Sprintf("crop=%d:%d:0:0:exact=1", small.cutW, small.cutH))
		}
		size, how = fmt.Sprintf("%d:%d:", small.w, small.h), "area"
	}
	if c.Transfer == "sdr" {
		m := c.Matrix
		if m == "rgb" {
			m = "bt709"
		}
		return append(out, "scale="+size+"in_color_matrix="+m+":flags="+how+"+accurate_rnd+full_chroma_int", "format=bgr24")
	}
	if size != "" { // without subsampling odd sides are no trouble
		out = append(out, "scale="+size+"flags=area+accurate_rnd+full_chroma_int", "format=yuv444p10le")
	}
	transfer := "arib-std-b67"
	if c.Transfer == "pq" {
		transfer = "smpte2084"
	}
	return append(out,
		// npl: reference white of HDR is 203 cd/m² (ITU-R BT.2408-7 table 1).
		// Mobius leaves what lies below it nearly linear: skin and shirts keep
		// their brightness, only highlights are squeezed.
		"zscale=min=bt2020nc:pin=bt2020:tin="+transfer+":m=gbr:p=bt2020:t=linear:npl=203",
		"format=gbrpf32le", "zscale=p=bt709", "tonemap=mobius:desat=0",
		"zscale=t=bt709:m=gbr:r=full", "format=gbrp", "format=bgr24")
}

func (p *pipe) read(m *gocv.Mat) bool {
	if m.Empty() {
		*m = replace(m, p.h, p.w)
	}
	buf, err := m.DataPtrUint8()
	if err != nil {
		return false
	}
	_, err = io.ReadFull(p.out, buf)
	return err == nil
}

func (p *pipe) skip(n int) {
	if p.chosen {
		return
	}
	_, _ = io.CopyN(io.Discard, p.out, int64(n)*int64(p.w*p.h*3))
}

func (p *pipe) at() (float64, bool) { return 0, false }

func replace(m *gocv.Mat, rows, cols int) gocv.Mat {
	m.Close()
	return gocv.NewMatWithSize(rows, cols, gocv.MatTypeCV8UC3)
}

func (p *pipe) why() string {
	p.wait()
	if p.errs.Len() == 0 {
		return ""
	}
	return lastLine(p.errs.String())
}

func (p *pipe) wait() {
	if !p.waited {
		p.waited = true
		_ = p.cmd.Wait() // what it said stands in errs
	}
}

func (p *pipe) close() {
	p.cancel()
	p.wait()
}
