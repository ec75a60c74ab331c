package clip

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"

	"tapeline/pipeline"
)

// Limits of a voice note.
const (
	VoiceLimit = 120      // seconds
	voiceBytes = 64 << 20 // of the file
)

// voiceLevel is how loud speech is laid, RMS of full scale (−20 dB, common
// practice, no source); voicePeak is where it would clip.
const (
	voiceLevel = .1
	voicePeak  = .9
)

const hintVoice = "record it again as M4A, WAV or MP3 and put it beside the clip"

// Voice decodes a coach's voice note (M4A, WAV or MP3) to mono at 48,000
// samples a second, −1…1, brought to the usual loudness of speech. Errors are
// *pipeline.Error with FaultUnreadable.
func Voice(ctx context.Context, path string) ([]float32, error) {
	demuxer, err := lookVoice(path)
	if err != nil {
		return nil, err
	}
	in, err := input(path, demuxer)
	if err != nil {
		return nil, err
	}
	args := append([]string{"-nostdin", "-v", "error"}, in...)
	args = append(args, "-map", "0:a:0", "-t", strconv.Itoa(VoiceLimit+1), "-ac", "1", "-ar", strconv.Itoa(soundRate), "-f", "f32le", "pipe:1")
	b, err := run(ctx, stepVoice, path, "ffmpeg", args...)
	if err != nil {
		return nil, err
	}
	samples := make([]float32, len(b)/4)
	for i := range samples {
		samples[i] = math.Float32frombits(binary.LittleEndian.Uint32(b[4*i:]))
	}
	switch {
	case len(samples) == 0:
		return nil, unreadable(stepVoice, path, hintVoice, "there is no sound in the voice note")
	case len(samples) > VoiceLimit*soundRate:
		return nil, unreadable(stepVoice, path, "say it shorter", "the voice note is longer than %d s", VoiceLimit)
	}
	return loud(samples), nil
}

// lookVoice names the demuxer to force by what the file begins with; anything
// else never reaches ffmpeg.
func lookVoice(path string) (string, error) {
	st, err := os.Stat(path)
	if err != nil || !st.Mode().IsRegular() {
		return "", unreadable(stepVoice, path, hintVoice, "the voice note can't be opened")
	}
	if st.Size() > voiceBytes {
		return "", unreadable(stepVoice, path, hintVoice, "the voice note is larger than %d MB", voiceBytes>>20)
	}
	f, err := os.Open(path)
	if err != nil {
		return "", unreadable(stepVoice, path, hintVoice, "the voice note can't be opened")
	}
	defer f.Close()
	var h [12]byte
	if n, _ := io.ReadFull(f, h[:]); n < len(h) {
		return "", unreadable(stepVoice, path, hintVoice, "the voice note is empty or no sound file")
	}
	switch {
	case string(h[:4]) == "RIFF" && string(h[8:]) == "WAVE":
		return "wav", nil
	case string(h[4:8]) == "ftyp":
		return demuxerMOV, lookBoxes(f, path, st.Size())
	case string(h[:3]) == "ID3", h[0] == 0xFF && h[1]&0xE0 == 0xE0: // ISO/IEC 11172-3 frame sync
		return "mp3", nil
	}
	return "", unreadable(stepVoice, path, hintVoice, "the voice note is no M4A, WAV or MP3")
}

// loud scales speech to voiceLevel over its louder half, without clipping.
func loud(s []float32) []float32 {
	const block = soundRate / 20
	var sum, n, peak float64
	var mean float64
	for _, v := range s {
		mean += float64(v) * float64(v) / float64(len(s))
		peak = math.Max(peak, math.Abs(float64(v)))
	}
	for i := 0; i < len(s); i += block { // pauses don't count
		var e float64
		part := s[i:min(i+block, len(s))]
		for _, v := range part {
			e += float64(v) * float64(v)
		}
		if e/float64(len(part)) >= mean {
			sum, n = sum+e, n+float64(len(part))
		}
	}
	if sum == 0 {
		return s
	}
	gain := float32(math.Min(voiceLevel/math.Sqrt(sum/n), voicePeak/peak))
	out := make([]float32, len(s))
	for i, v := range s {
		out[i] = v * gain
	}
	return out
}

// duck is how much of the clip's own sound is left under the voice (−12 dB,
// common practice, no source).
const duck = .25

// speak lays the voice into out from second at on and holds what is there
// down while it lasts, with ramps of 50 ms.
func speak(out, voice []float32, at float64) {
	if len(voice) == 0 {
		return
	}
	const ramp = soundRate / 20
	from := int(math.Round(at * soundRate))
	for i := max(0, from-ramp); i < min(len(out), from+len(voice)+ramp); i++ {
		in := min(i-from+ramp, from+len(voice)+ramp-i) // samples into the ramp
		down := float32(min(1, max(0, float64(in)/ramp)))
		out[i] *= 1 - (1-duck)*down
		if k := i - from; k >= 0 && k < len(voice) {
			out[i] = min(1, max(-1, out[i]+voice[k]))
		}
	}
}

// VoiceSeconds is how long a note from Voice lasts.
func VoiceSeconds(voice []float32) float64 { return float64(len(voice)) / soundRate }

// voiceFits is an error where a voice would be cut off by the end of the film.
func (s Spec) voiceFits(frames int) error {
	if len(s.Voice) > 0 && s.VoiceAt+VoiceSeconds(s.Voice) > float64(frames)/float64(s.FPS)+.05 {
		return &pipeline.Error{Fault: pipeline.FaultInternal, Step: stepEncode,
			What: fmt.Sprintf("the voice note lasts %.1f s from %.1f s on, the video only %.1f s", VoiceSeconds(s.Voice), s.VoiceAt, float64(frames)/float64(s.FPS))}
	}
	return nil
}
