package clip

import (
	"encoding/json"
	"image"
	"image/color"
	"math"
	"os/exec"
	"strconv"
	"strings"
	"testing"
)

// The times of a film of 30 pictures a second are thirds of a tenth; the
// format has milliseconds. Markup is escaped, nothing can end a caption early.
func TestWebVTT(t *testing.T) {
	got := string(WebVTT([]Caption{
		{0, 1, "Ada\n3 May 2026\r\n\nSeen from the chest side"},
		{1, 2 + 2.0/3, "Eyes 7.9 cm below the tape"},
		{2 + 2.0/3, 2 + 2.0/3, "no time at all"},
		{2 + 2.0/3, 3, " \n "},
		{3723.5, 3724, "<b>A & B</b> --> C"},
	}))
	const want = `WEBVTT

00:00:00.000 --> 00:00:01.000
Ada
3 May 2026
Seen from the chest side

00:00:01.000 --> 00:00:02.667
Eyes 7.9 cm below the tape

01:02:03.500 --> 01:02:04.000
&lt;b&gt;A &amp; B&lt;/b&gt; --&gt; C
`
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

func TestTrackLanguage(t *testing.T) {
	for code, want := range map[string]string{"en": "eng", "es": "spa", "de": "deu", "": "und", "?": "und"} {
		if got := track639(code); got != want {
			t.Errorf("%q: %s, want %s", code, got, want)
		}
	}
}

// The text track as others see it: ffprobe's stream, language and times of the
// samples; and the words as they come out again.
func TestTextTrack(t *testing.T) {
	captions := []Caption{
		{0, 1, "Ada\nSeen from the chest side"},
		{1, 1.5, "Ojos 7,9 cm más abajo"},
		{1.5, 1.9, `A & B < C {\b1} \N`},
		{1.9, 2, "end"},
	}
	for _, c := range []struct{ code, want string }{{"en", "eng"}, {"es", "spa"}, {"", "und"}} {
		path := encode(t, Spec{Width: 320, Height: 180, FPS: 30, Captions: captions, Language: c.code}, 60, func(int) *image.RGBA {
			return plain(320, 180, color.RGBA{90, 90, 90, 255})
		})
		out, err := exec.Command("ffprobe", "-v", "error", "-show_entries",
			"stream=codec_type,codec_name:stream_tags:stream_disposition=default:format_tags:packet=pts_time,duration_time,size", "-show_packets", "-select_streams", "s", "-of", "json", path).Output()
		if err != nil {
			t.Fatal(err)
		}
		var got struct {
			Streams []struct {
				Name        string `json:"codec_name"`
				Tags        map[string]string
				Disposition map[string]int
			}
			Packets []struct {
				Time string `json:"pts_time"`
				Long string `json:"duration_time"`
				Size string
			}
			Format struct{ Tags map[string]string }
		}
		if err := json.Unmarshal(out, &got); err != nil {
			t.Fatal(err)
		}
		if len(got.Streams) != 1 || got.Streams[0].Name != "mov_text" || got.Streams[0].Tags["language"] != c.want {
			t.Fatalf("%s: streams %+v", c.code, got.Streams)
		}
		for _, tags := range []map[string]string{got.Streams[0].Tags, got.Format.Tags} {
			for k := range tags {
				if !harmless[k] {
					t.Errorf("it carries %q", k)
				}
			}
		}
		i := 0
		for _, p := range got.Packets {
			if p.Size == "2" { // an empty sample between captions
				continue
			}
			at, _ := strconv.ParseFloat(p.Time, 64)
			long, _ := strconv.ParseFloat(p.Long, 64)
			if i < len(captions) && (math.Abs(at-captions[i].From) > 1e-3 || math.Abs(at+long-captions[i].To) > 1e-3) {
				t.Errorf("caption %d stands from %.3f for %.3f s, want %+v", i, at, long, captions[i])
			}
			i++
		}
		if i != len(captions) {
			t.Errorf("%d captions of %d", i, len(captions))
		}
		back, err := exec.Command("ffmpeg", "-v", "error", "-i", path, "-map", "0:s:0", "-f", "webvtt", "-").Output()
		if err != nil {
			t.Fatal(err)
		}
		for _, want := range []string{"Ada\nSeen from the chest side\n", "Ojos 7,9 cm más abajo", "A &amp; B &lt; C (/b1) /N"} {
			if !strings.Contains(string(back), want) && !strings.Contains(string(back), markup2.Replace(want)) {
				t.Errorf("%q came back as\n%s", want, back)
			}
		}
	}
}

// An older ffmpeg writes & and < as they are.
var markup2 = strings.NewReplacer("&amp;", "&", "&lt;", "<")
