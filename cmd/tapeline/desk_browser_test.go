package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// tab is a browser's tab at the desk.
type tab struct {
	t   testing.TB
	b   *deskBarn
	ctx context.Context
}

// chrome is a browser of this size that has come into the desk.
func (b *deskBarn) chrome(wide, high int) *tab {
	b.t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		b.t.Skip("chromium is not there; scripts/setup --dev installs it")
	}
	ctx, stop := chromedp.NewContext(context.Background(), chromedp.WithAllocatorOptions(chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.WindowSize(wide, high),
		chromedp.Flag("use-fake-device-for-media-stream", true), chromedp.Flag("use-fake-ui-for-media-stream", true), chromedp.Flag("disable-dev-shm-usage", true)))
	b.t.Cleanup(stop)
	if err := chromedp.Do(ctx); err != nil {
		b.t.Fatal(err)
	}
	t := &tab{b.t, b, ctx}
	t.do(chromedp.EmulateViewport(int64(wide), int64(high)), chromedp.Navigate(b.out.address()))
	return t
}

// do takes steps, half a minute at most.
func (t *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	t.t.Helper()
	ctx, stop := context.WithTimeout(t.ctx, 30*time.Second)
	defer stop()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.t.Fatal(err)
	}
}

// eval is the value of an expression in the page.
func eval[T any](t *tab, expression string) T {
	t.t.Helper()
	ctx, stop := context.WithTimeout(t.ctx, 30*time.Second)
	defer stop()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		t.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// until waits for an expression to be true.
func (t *tab) until(expression string) {
	t.t.Helper()
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if eval[bool](t, "!!("+expression+")") {
			return
		}
		if time.Now().After(end) {
			t.t.Fatalf("never: %s; it says %q", expression, eval[string](t, `(document.getElementById("say")||document.body).textContent`))
		}
	}
}

// lesson opens the sample's lesson and waits for its picture.
func (t *tab) lesson() {
	t.t.Helper()
	t.do(chromedp.Navigate(t.b.base + "/lesson/" + t.b.id()))
	t.until(`document.querySelector("#picture[data-frame]")`)
}

// settled waits until what was changed is judged.
func (t *tab) settled(change func()) {
	t.t.Helper()
	was := eval[string](t, `document.body.dataset.judged`)
	change()
	t.until(fmt.Sprintf(`document.body.dataset.judged !== %q`, was))
}

// shoot keeps a picture of the page where somebody asks for it.
func (t *tab) shoot(name string) {
	t.t.Helper()
	dir := os.Getenv("DESK_SHOTS")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(t.ctx, chromedp.FullScreenshot(100))
	if err != nil {
		t.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o666); err != nil {
		t.t.Fatal(err)
	}
}

func TestDeskLook(t *testing.T) {
	tab := newDesk(t).open().chrome(1280, 900)
	tab.shoot("list")
	tab.lesson()
	tab.shoot("lesson")
}
