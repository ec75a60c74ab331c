package deliver

import (
	"bytes"
	"context"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"tapeline/pipeline/deliver/mailpittest"
	"tapeline/pipeline/deliver/smtptest"
	"tapeline/pipeline/words"
)

// A letter with its film goes to a real server over a protected connection,
// and comes out of it as it went in.
func TestRealServer(t *testing.T) {
	dir := t.TempDir()
	cert, key, root := smtptest.Certificate(t, "localhost", "127.0.0.1")
	for name, b := range map[string][]byte{"cert.pem": cert, "key.pem": key, "users": []byte("coach:open")} {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	pit := mailpittest.Start(t, "--smtp-tls-cert", filepath.Join(dir, "cert.pem"), "--smtp-tls-key", filepath.Join(dir, "key.pem"),
		"--smtp-require-starttls", "--smtp-auth-file", filepath.Join(dir, "users"))
	server := Server{Host: "localhost", Port: pit.SMTP, TLS: StartTLS, User: "coach", Password: "open", Timeout: 10 * time.Second, DSN: true}
	if _, err := Dial(t.Context(), server); !errors.Is(err, ErrSettings) {
		t.Errorf("a certificate of nobody's was taken: %v", err)
	}
	server.roots = x509.NewCertPool()
	server.roots.AppendCertsFromPEM(root)
	wrong := server
	wrong.Password = "shut"
	if _, err := Dial(t.Context(), wrong); !errors.Is(err, ErrSettings) {
		t.Errorf("a wrong password was taken: %v", err)
	}
	line, err := Dial(t.Context(), server)
	if err != nil {
		t.Fatal(err)
	}
	var sent []*Message
	for i, lang := range words.Codes() { // over one connection
		l := letter(t, dir)
		l.Lang, l.ID = lang, strings.Repeat(fmt.Sprint(i), 32)
		l.To = append(l.To, l.To[0])
		l.To[1].Address = "other@b\u00fccher.example"
		m := compose(t, l)
		got, err := line.Send(t.Context(), m, m.To, goes)
		if err != nil || len(got) != 2 || got[0].Outcome != Taken || got[1].Outcome != Taken || got[0].Code != 250 {
			t.Fatalf("%+v, %v", got, err)
		}
		sent = append(sent, m)
	}
	if err := line.Close(); err != nil {
		t.Error(err)
	}
	list := pit.Got(t)
	if len(list) != len(sent) {
		t.Fatalf("%d messages lie there", len(list))
	}
	for _, m := range sent {
		for _, x := range list {
			if x.MessageID == m.ID {
				checkSeen(t, pit, x, m)
			}
		}
	}
}

func checkSeen(t *testing.T, pit *mailpittest.Server, x mailpittest.Message, m *Message) {
	t.Helper()
	id := x.ID
	// What the server puts before it (Received, Return-Path) is its own.
	raw := pit.Get(t, "/api/v1/message/"+id+"/raw")
	if !bytes.HasSuffix(raw, m.Raw) {
		t.Fatalf("%d bytes came out for %d that went in, or others:\n%.600s", len(raw), len(m.Raw), raw)
	}
	plain, page := flat(marks.ReplaceAllString(strings.ReplaceAll(x.Text, "\r\n", "\n"), "")), shown(t, x.HTML)
	x.Text, x.HTML = "", ""
	if x.MessageID != m.ID || x.From.Address != "coach@millbrook.example" || x.From.Name != "Coach José Núñez" || x.ReturnPath != "coach@millbrook.example" {
		t.Errorf("%+v", x)
	}
	if len(x.To) != 2 || x.To[1].Address != "other@xn--bcher-kva.example" || len(x.Bcc) != 0 || len(x.ReplyTo) != 1 || !strings.Contains(x.Subject, "Ada") {
		t.Errorf("%+v", x)
	}
	if u := x.ListUnsubscribe; u.Errors != "" || u.HeaderPost != "List-Unsubscribe=One-Click" {
		t.Errorf("unsubscribe: %+v", u)
	}
	if len(x.Inline) != 1 || len(x.Attachments) != 2 || x.Inline[0].ContentType != "image/jpeg" || x.Inline[0].ContentID != "stills."+m.ID {
		t.Fatalf("%+v, %+v", x.Inline, x.Attachments)
	}
	if plain == "" || plain != page {
		t.Errorf("the parts read\n%s\n%s", plain, page)
	}
	for _, a := range x.Attachments {
		b := pit.Part(t, id, a.PartID)
		if a.ContentType == "video/mp4" {
			plays(t, b)
		} else if a.ContentType != "text/vtt" || !bytes.HasPrefix(b, []byte("WEBVTT\n\n")) {
			t.Errorf("%+v: %q", a, b)
		}
	}
	score(t, pit, id)
}

// plays looks at a film as ffprobe decodes it to the last picture.
func plays(t *testing.T, film []byte) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "film.mp4")
	if err := os.WriteFile(path, film, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("ffprobe", "-v", "error", "-select_streams", "v:0", "-count_frames", "-show_entries", "stream=codec_name,nb_frames,nb_read_frames", "-of", "json", path).CombinedOutput()
	var got struct {
		Streams []struct {
			Codec string `json:"codec_name"`
			Want  string `json:"nb_frames"`
			Read  string `json:"nb_read_frames"`
		}
	}
	if err != nil || json.Unmarshal(out, &got) != nil || len(got.Streams) != 1 || got.Streams[0].Codec != "h264" || got.Streams[0].Want != got.Streams[0].Read {
		t.Errorf("%v %s", err, out)
	}
}

// score is mailpit's check of the page against what mail programs can do
// (caniemail.com): nearly all of what it uses is shown by nearly all of them.
func score(t *testing.T, pit *mailpittest.Server, id string) {
	t.Helper()
	got := mailpittest.Read[struct {
		Total struct {
			Supported, Partial, Unsupported float64
			Tests                           int
		}
		Warnings []struct {
			Title string
			Score struct{ Supported, Partial, Unsupported float64 }
		}
	}](t, pit, "/api/v1/message/"+id+"/html-check")
	t.Logf("HTML check: supported %.2f %%, partly %.2f %%, not %.2f %%, of %d tests", got.Total.Supported, got.Total.Partial, got.Total.Unsupported, got.Total.Tests)
	for _, w := range got.Warnings {
		t.Logf("  %s: supported %.1f %%, partly %.1f %%, not %.1f %%", w.Title, w.Score.Supported, w.Score.Partial, w.Score.Unsupported)
	}
	if got.Total.Tests < 50 || got.Total.Unsupported > 5 {
		t.Errorf("the HTML check gives %+v", got.Total)
	}
}

// A real server that fails: mailpit's chaos gives the answers.
func TestRealServerFails(t *testing.T) {
	pit := mailpittest.Start(t, "--enable-chaos")
	for code, want := range map[int]Outcome{451: Later, 550: Never} {
		for _, where := range []string{"Sender", "Recipient"} {
			body := fmt.Sprintf(`{"%s": {"ErrorCode": %d, "Probability": 100}}`, where, code)
			r, err := http.NewRequestWithContext(t.Context(), http.MethodPut, pit.URL("/api/v1/chaos"), strings.NewReader(body))
			if err != nil {
				t.Fatal(err)
			}
			answer, err := http.DefaultClient.Do(r)
			if err != nil || answer.StatusCode != http.StatusOK {
				t.Fatal(err, answer)
			}
			answer.Body.Close()
			l, err := Dial(t.Context(), Server{Host: "127.0.0.1", Port: pit.SMTP, TLS: NoTLS, Timeout: 5 * time.Second})
			if err != nil {
				t.Fatal(err)
			}
			m := letterOf(500)
			got, err := l.Send(t.Context(), m, m.To[:1], goes)
			l.Close()
			if err != nil || got[0].Outcome != want || got[0].Code != code {
				t.Errorf("%s %d: %+v, %v", where, code, got, err)
			}
		}
	}
}

// How the page stands in a browser as wide as a phone: nothing to scroll
// sideways, nothing too small to read, the picture there, ink and paper apart
// also on a dark screen.
func TestPhone(t *testing.T) {
	if testing.Short() {
		t.Skip("a program of its own")
	}
	browser, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("chromium is not there; scripts/setup --dev installs it")
	}
	var pages []string
	for _, lang := range words.Codes() {
		l := letter(t, t.TempDir())
		l.Lang = lang
		l.Unsubscribe.Path = "/" + strings.Repeat("0123456789", 20)
		_, parts := sound(t, compose(t, l))
		picture := "data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(parts[2].body)
		pages = append(pages, regexp.MustCompile(`cid:[^"]*`).ReplaceAllString(string(parts[1].body), picture))
	}
	widths := []int{320, 390}
	for _, dark := range []bool{false, true} {
		for i, got := range measured(t, browser, pages, widths, dark) {
			width := widths[i%len(widths)]
			t.Logf("%d pixels: %+v", width, got)
			if got.Scroll > width || got.Smallest < 14 || got.Picture < width/2 || got.Picture > width {
				t.Errorf("at %d: %+v", width, got)
			}
			if got.Dark != dark || got.Contrast < 7 || got.Band < 4.5 {
				t.Errorf("dark %v: %+v", dark, got)
			}
		}
	}
}

// looks is what a browser measured: CSS pixels, contrast ratios.
type looks struct {
	Scroll, Smallest, Picture int
	Contrast, Band            float64
	Dark                      bool
	Colours                   string
}

// measured puts each page into a frame of each width, since a window can't be
// as narrow, and asks the browser.
func measured(t *testing.T, browser string, pages []string, widths []int, dark bool) (out []looks) {
	t.Helper()
	const script = `<script>
const light = c => { const [r, g, b] = c.match(/[\d.]+/g).map(v => v / 255).map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
const ratio = (a, b) => { const [x, y] = [light(a), light(b)].sort((m, n) => n - m); return (x + 0.05) / (y + 0.05); };
const look = d => {
  const style = e => d.defaultView.getComputedStyle(e);
  const paper = d.createElement("i"); paper.style.backgroundColor = "Canvas"; d.body.append(paper);
  const ground = style(paper).backgroundColor, band = style(d.querySelector("td[bgcolor]"));
  const text = [...d.querySelectorAll("p,li,h1,h2,strong")].filter(e => !e.closest("td[bgcolor]"));
  return {
    Scroll: d.documentElement.scrollWidth, Smallest: Math.min(...text.map(e => parseInt(style(e).fontSize))),
    Picture: Math.round(d.querySelector("img").naturalWidth && d.querySelector("img").getBoundingClientRect().width),
    Contrast: Math.min(...text.map(e => ratio(style(e).color, ground))),
    Band: ratio(band.color, band.backgroundColor), Dark: light(ground) < 0.2, Colours: style(text[0]).color + " on " + ground};
};
onload = () => { document.body.dataset.looks = JSON.stringify([...document.querySelectorAll("iframe")].map(f => look(f.contentDocument))); };
</script>`
	dir := t.TempDir()
	frame := `<!DOCTYPE html><meta charset="utf-8"><meta name="color-scheme" content="light dark"><body style="margin:0">` + script
	for _, page := range pages {
		for _, width := range widths {
			frame += fmt.Sprintf(`<iframe width="%d" height="900" style="border:0" srcdoc="%s"></iframe>`, width, strings.NewReplacer("&", "&amp;", `"`, "&quot;").Replace(page))
		}
	}
	path := filepath.Join(dir, "frame.html")
	if err := os.WriteFile(path, []byte(frame), 0o600); err != nil {
		t.Fatal(err)
	}
	args := []string{"--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--user-data-dir=" + filepath.Join(dir, "profile"), "--virtual-time-budget=3000", "--dump-dom"}
	if dark {
		args = append(args, "--blink-settings=preferredColorScheme=0")
	} else {
		args = append(args, "--blink-settings=preferredColorScheme=1")
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, browser, append(args, "file://"+path)...)
	cmd.Env = append(os.Environ(), "HOME="+dir)
	dom, err := cmd.Output()
	m := regexp.MustCompile(`data-looks="([^"]*)"`).FindSubmatch(dom)
	if err != nil || m == nil {
		t.Fatalf("%v: %.400s", err, dom)
	}
	if err := json.Unmarshal([]byte(strings.ReplaceAll(string(m[1]), "&quot;", `"`)), &out); err != nil || len(out) != len(pages)*len(widths) {
		t.Fatal(err, len(out))
	}
	return out
}
