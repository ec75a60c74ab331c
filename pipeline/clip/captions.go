package clip

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/text/language"

	"tapeline/pipeline"
)

// Caption is one text of the film from From until To, seconds; its lines are
// parted by newlines.
type Caption struct {
	From, To float64
	Text     string
}

// WebVTT gives captions as a file of that format (W3C, "WebVTT: The Web Video
// Text Tracks Format"). What the format would take for markup is escaped, and
// an empty line would end a caption, so none is kept.
func WebVTT(captions []Caption) []byte {
	var b strings.Builder
	b.WriteString("WEBVTT\n")
	for _, c := range captions {
		text := cueText(c.Text)
		if text == "" || stamp(c.From) == stamp(c.To) {
			continue
		}
		fmt.Fprintf(&b, "\n%s --> %s\n%s\n", stamp(c.From), stamp(c.To), text)
	}
	return []byte(b.String())
}

var markup = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;")

func cueText(s string) string {
	var lines []string
	for _, l := range strings.FieldsFunc(s, func(c rune) bool { return c == '\n' || c == '\r' }) {
		if l = strings.TrimSpace(l); l != "" {
			lines = append(lines, markup.Replace(l))
		}
	}
	return strings.Join(lines, "\n")
}

// stamp writes hh:mm:ss.mmm.
func stamp(seconds float64) string {
	ms := int(math.Round(seconds * 1000))
	return fmt.Sprintf("%02d:%02d:%02d.%03d", ms/3_600_000, ms/60_000%60, ms/1000%60, ms%1000)
}

// track639 is the three-letter code (ISO 639-2/T) that an MP4 track carries for
// a language, "und" for one that is not known.
func track639(code string) string {
	tag, err := language.Parse(code)
	if err != nil {
		return "und"
	}
	base, _ := tag.Base()
	return base.ISO3()
}

// commands are what ffmpeg would obey between reading one format of captions
// and writing the other.
var commands = strings.NewReplacer("{", "(", "}", ")", `\`, "/")

// captionArgs adds the captions as an input of ffmpeg, whose number is given,
// and as a text track of its output: none when there are none.
func (e *Encoder) captionArgs(input int) (in, out []string, err error) {
	if len(e.spec.Captions) == 0 {
		return nil, nil, nil
	}
	path := filepath.Join(e.dir, "captions.vtt")
	plain := make([]Caption, len(e.spec.Captions))
	for i, c := range e.spec.Captions {
		plain[i] = Caption{c.From, c.To, commands.Replace(c.Text)}
	}
	if err := os.WriteFile(path, WebVTT(plain), 0o600); err != nil {
		return nil, nil, &pipeline.Error{Fault: pipeline.FaultOutput, Step: stepEncode, Path: e.path, What: "the captions can't be written", Hint: "check the space of the output folder", Err: err}
	}
	return []string{"-f", "webvtt", "-i", fileName(path)},
		[]string{"-map", fmt.Sprintf("%d:s:0", input), "-c:s", "mov_text", "-metadata:s:s:0", "language=" + track639(e.spec.Language), "-disposition:s:0", "0"}, nil
}
