package clip

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"tapeline/pipeline"
)

// Limits of what is read. They protect memory: one BGR picture of 40 Mpx is
// 120 MB.
const (
	MaxSide     = 8192     // pixels
	MaxPixels   = 40 << 20 // pixels a picture
	MaxDuration = 3 * 3600 // seconds
	MinRate     = 10       // frames a second: fewer can't show a swing
	MaxRate     = 2000
)

const (
	hintFilm    = "give an MP4, MOV, MKV, WebM or AVI clip as the phone saved it"
	hintCopy    = "copy it again from the phone, or export it anew"
	hintExport  = "export it smaller, for example as 1080p"
	hintSetup   = "run scripts/setup"
	demuxerMOV  = "mov"
	demuxerMKV  = "matroska"
	demuxerAVI  = "avi"
	maxBoxes    = 200000
	maxMoovSize = 256 << 20
)

// Steps as errors name them.
const (
	stepProbe  = "probe"
	stepDecode = "decode"
	stepSound  = "sound"
	stepVoice  = "voice"
	stepEncode = "encode"
	stepCut    = "cut"
)

func unreadable(step, path, hint, format string, a ...any) *pipeline.Error {
	return &pipeline.Error{Fault: pipeline.FaultUnreadable, Step: step, Path: path,
		What: fmt.Sprintf(format, a...), Hint: hint}
}

// look reads the container's structure without any library and names the
// ffmpeg demuxer to force ("mov", "matroska", "avi"). Everything else is
// refused here: playlists and scripts that make ffmpeg open other files are
// text and never get past it.
func look(path string) (string, error) {
	st, err := os.Stat(path)
	if err != nil {
		what := "can't be opened"
		if errors.Is(err, os.ErrNotExist) {
			what = "no such file"
		}
		return "", &pipeline.Error{Fault: pipeline.FaultUnreadable, Step: stepProbe, Path: path, What: what, Hint: "check the name", Err: err}
	}
	// A pipe or a device would block or never end.
	if !st.Mode().IsRegular() {
		return "", unreadable(stepProbe, path, hintFilm, "not a file")
	}
	if st.Size() == 0 {
		return "", unreadable(stepProbe, path, hintCopy, "the file is empty")
	}
	f, err := os.Open(path)
	if err != nil {
		return "", &pipeline.Error{Fault: pipeline.FaultUnreadable, Step: stepProbe, Path: path, What: "can't be opened", Hint: "check its permissions", Err: err}
	}
	defer f.Close()
	var head [64]byte
	n, _ := io.ReadFull(f, head[:])
	h := head[:n]
	switch {
	case n >= 16 && string(h[:4]) == "\x1A\x45\xDF\xA3" &&
		(strings.Contains(string(h), "webm") || strings.Contains(string(h), "matroska")):
		return demuxerMKV, nil
	case n >= 12 && string(h[:4]) == "RIFF" && string(h[8:12]) == "AVI ":
		if want := int64(binary.LittleEndian.Uint32(h[4:])) + 8; want > st.Size() {
			return "", cutShort(path, want-st.Size())
		}
		return demuxerAVI, nil
	case n >= 8 && firstBox[string(h[4:8])]:
		return demuxerMOV, lookBoxes(f, path, st.Size())
	}
	return "", unreadable(stepProbe, path, hintFilm, "not a video file")
}

// firstBox are the boxes an ISO base media or QuickTime file may begin with
// (ISO/IEC 14496-12 §4.3, QuickTime File Format, "Overview of the file
// structure").
var firstBox = map[string]bool{"ftyp": true, "moov": true, "mdat": true, "wide": true, "free": true, "skip": true, "pnot": true}

// laterBox are the boxes whose end must lie in the file even after pictures
// and index have been seen.
var laterBox = map[string]bool{"moov": true, "moof": true, "mdat": true, "free": true, "skip": true, "wide": true, "mfra": true, "sidx": true, "udta": true, "uuid": true, "meta": true}

func cutShort(path string, missing int64) error {
	return unreadable(stepProbe, path, hintCopy, "the file is cut short: %d bytes are missing", missing)
}

// lookBoxes walks the top-level boxes and the sizes claimed inside moov.
func lookBoxes(r io.ReaderAt, path string, size int64) error {
	var moov, media bool
	for at, n := int64(0), 0; at < size; n++ {
		kind, head, length, err := box(r, at, size)
		// Some phones append data of their own, which harms nobody.
		if moov && media && (err != nil || !laterBox[kind]) {
			break
		}
		if err != nil || n > maxBoxes {
			return unreadable(stepProbe, path, hintCopy, "the file's structure is damaged")
		}
		if at+length > size {
			return cutShort(path, at+length-size)
		}
		switch kind {
		case "moov":
			moov = true
			if length > maxMoovSize {
				return unreadable(stepProbe, path, hintCopy, "the file's structure is damaged")
			}
			budget := maxBoxes
			if err := lookSizes(r, path, at+head, at+length, 0, &budget); err != nil {
				return err
			}
		case "mdat":
			media = true
		}
		at += length
	}
	switch {
	case !moov:
		return unreadable(stepProbe, path, hintCopy, "the recording was never finished or is cut short: its index is missing")
	case !media:
		return unreadable(stepProbe, path, hintCopy, "there are no pictures in the file")
	}
	return nil
}

// box reads one box header: its type, header size and whole size in bytes.
func box(r io.ReaderAt, at, end int64) (kind string, head, length int64, err error) {
	var b [16]byte
	if _, err = r.ReadAt(b[:8], at); err != nil {
		return "", 0, 0, err
	}
	kind, head, length = string(b[4:8]), 8, int64(binary.BigEndian.Uint32(b[:4]))
	switch length {
	case 0:
		length = end - at
	case 1:
		if _, err = r.ReadAt(b[8:16], at+8); err != nil {
			return "", 0, 0, err
		}
		head, length = 16, int64(binary.BigEndian.Uint64(b[8:16]))
	}
	for _, c := range b[4:8] {
		if c < 0x20 || c > 0x7E && c != 0xA9 {
			return "", 0, 0, errors.New("not a box")
		}
	}
	// at+length must not overflow.
	if length < head || length > 1<<60 {
		return "", 0, 0, errors.New("impossible box size")
	}
	return kind, head, length, nil
}

// lookSizes refuses pictures that the header claims beyond our limits, before
// a decoder makes room for them.
func lookSizes(r io.ReaderAt, path string, at, end int64, depth int, budget *int) error {
	for at+8 <= end {
		if *budget--; *budget < 0 {
			return unreadable(stepProbe, path, hintCopy, "the file's structure is damaged")
		}
		kind, head, length, err := box(r, at, end)
		if err != nil || at+length > end {
			return nil // QuickTime ends containers with four zero bytes; ffprobe judges the rest
		}
		body := at + head
		switch kind {
		case "trak", "mdia", "minf", "stbl":
			if depth < 8 {
				if err := lookSizes(r, path, body, at+length, depth+1, budget); err != nil {
					return err
				}
			}
		case "tkhd": // width and height close the box, 16.16 fixed point
			var b [8]byte
			if length >= head+8 {
				if _, err := r.ReadAt(b[:], at+length-8); err == nil {
					if err := checkSize(path, int(binary.BigEndian.Uint16(b[0:])), int(binary.BigEndian.Uint16(b[4:]))); err != nil {
						return err
					}
				}
			}
		case "stsd": // version, count, then sample entries
			for e := body + 8; e+8 <= at+length; {
				_, eh, el, err := box(r, e, at+length)
				if err != nil || e+el > at+length {
					break
				}
				var b [4]byte
				if _, err := r.ReadAt(b[:], e+eh+24); err == nil && isVideoEntry(r, e) {
					if err := checkSize(path, int(binary.BigEndian.Uint16(b[0:])), int(binary.BigEndian.Uint16(b[2:]))); err != nil {
						return err
					}
				}
				e += el
			}
		}
		at += length
	}
	return nil
}

// isVideoEntry: a visual sample entry carries its resolution, 72 dpi in
// practice, at bytes 36 and 40 of the box, and a depth; sound entries don't.
func isVideoEntry(r io.ReaderAt, at int64) bool {
	var b [4]byte
	if _, err := r.ReadAt(b[:], at+36); err != nil {
		return false
	}
	return binary.BigEndian.Uint32(b[:]) == 0x00480000
}

func checkSize(path string, w, h int) error {
	if w > MaxSide || h > MaxSide || w*h > MaxPixels {
		return unreadable(stepProbe, path, hintExport, "the picture is too big: %d×%d, at most %d a side and %d megapixels", w, h, MaxSide, MaxPixels>>20)
	}
	return nil
}
