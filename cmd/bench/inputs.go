package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
)

// input is a clip as a phone makes it, from a shipped sample.
type input struct {
	name, sample string
	still        float64 // seconds the first picture stands before, and the last after
	rate         int     // pictures a second; more than the sample's are made between its own
	long         float64 // seconds
	size         string
	codec        []string
}

// A phone takes about 50 Mbit/s for 4K at 60 frames a second, from memory.
var (
	h264 = []string{"-c:v", "libx264", "-preset", "veryfast", "-crf", "19"}
	hevc = []string{"-c:v", "libx265", "-preset", "ultrafast", "-b:v", "50M", "-x265-params", "log-level=error", "-tag:v", "hvc1"}
)

var inputs = []input{
	{"1080p240", "open_faults", 1.2, 240, 4, "1920:1080", h264},
	{"1080p60", "open_faults", 2.2, 60, 6, "1920:1080", h264},
	{"4k60", "open_faults", 2.2, 60, 6, "3840:2160", hevc},
	{"portrait", "front_left", 1.2, 30, 4, "1080:1920", h264},
}

// make gives the clip's path; it is made once and stays in the cache. Noise is
// added: a sensor's is most of what a phone's clip holds.
func (in input) make(samples, cache string) (string, error) {
	path := filepath.Join(cache, in.name+".mp4")
	if _, err := os.Stat(path); err == nil {
		return path, nil
	}
	picture := ""
	if in.rate > 60 {
		picture = fmt.Sprintf("minterpolate=fps=%d:mi_mode=mci:mc_mode=obmc:me=epzs,", in.rate)
	}
	picture += fmt.Sprintf("tpad=start_mode=clone:start_duration=%g:stop_mode=clone:stop_duration=%g,", in.still, in.long) +
		"scale=" + in.size + ":flags=bicubic:in_color_matrix=bt709:out_color_matrix=bt709,noise=alls=6:allf=t,format=yuv420p"
	args := []string{"-nostdin", "-v", "error", "-y", "-i", filepath.Join(samples, in.sample+".mp4"),
		"-filter_complex", fmt.Sprintf("[0:v]%s[v];[0:a]adelay=%.0f:all=1,apad[a]", picture, 1000*in.still),
		"-map", "[v]", "-map", "[a]", "-t", fmt.Sprint(in.long)}
	args = append(args, in.codec...)
	args = append(args, "-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709", "-color_range", "tv", "-c:a", "aac", "-f", "mp4", path+".part")
	if b, err := exec.Command("ffmpeg", args...).CombinedOutput(); err != nil {
		return "", fmt.Errorf("ffmpeg: %w: %s", err, b)
	}
	return path, os.Rename(path+".part", path)
}
