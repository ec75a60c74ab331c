package jobs

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"testing"
	"time"
)

// resident is the memory of this process, bytes.
func resident(t *testing.T) int64 {
	t.Helper()
	b, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		t.Skip(err)
	}
	var size, pages int64
	if _, err := fmt.Sscan(string(b), &size, &pages); err != nil {
		t.Fatal(err)
	}
	return pages * int64(os.Getpagesize())
}

// heap is what of Go's memory is in use.
func heap() int64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// Ten thousand small files at once, most no clips, some clips of a few bytes:
// every one is accounted for and lies where it belongs, nothing outside the
// folders is touched.
func TestTenThousandSmallFiles(t *testing.T) {
	if testing.Short() {
		t.Skip("a long loop of one goroutine")
	}
	t.Parallel()
	const (
		others = 8500
		clips  = 1000
		twice  = 250 // of the clips
		notes  = 250
	)
	top := t.TempDir()
	work, out := filepath.Join(top, "work"), filepath.Join(top, "outside")
	drop(t, top, "outside/p001/kept.mov", "kept")
	put := func(i int, name, text string) {
		p := filepath.Join(work, InboxDir, fmt.Sprintf("p%03d", i%50*10), name)
		if err := os.WriteFile(p, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for i := range 50 {
		if err := os.MkdirAll(filepath.Join(work, InboxDir, fmt.Sprintf("p%03d", i*10)), 0o777); err != nil {
			t.Fatal(err)
		}
	}
	for i := range others {
		put(i, fmt.Sprint(i, []string{".txt", ".jpg", ".pdf", "", ".mov.zip"}[i%5]), fmt.Sprint("other ", i))
	}
	for i := range clips {
		put(i, fmt.Sprint(i, ".mov"), fmt.Sprint(i))
	}
	for i := range twice {
		put(i, fmt.Sprint(i, "-again.mov"), fmt.Sprint(i))
	}
	for i := range notes {
		put(i, fmt.Sprint("note", i, ".yaml"), "p001")
	}
	before, was := tree(t, out), heap()
	o := options(work)
	o.Limits.Time, o.Jobs = time.Minute, 4
	o.Read = func(context.Context, Reading) error { return &Slip{Reason: Unread} }
	s, err := OpenSQLite(t.Context(), filepath.Join(work, StoreFile))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	begun := time.Now()
	sum, err := New(s, o).Once(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	took := time.Since(begun)
	// One that has failed when its copy comes is tried again with the copy.
	if n := sum.Count(string(Failed)); n < others+clips || n > others+clips+twice || sum.Count(Duplicate) != twice || sum.Count(string(Held)) != notes || sum.Left+sum.Waiting != 0 {
		t.Errorf("%d failed, %d there already, %d held, %d left, %d waiting", n, sum.Count(Duplicate), sum.Count(string(Held)), sum.Left, sum.Waiting)
	}
	n, err := s.Counts(t.Context())
	if err != nil || n[Failed] != others+clips || n[Held] != notes || len(n) != 2 {
		t.Errorf("%v, %v", n, err)
	}
	if got := tree(t, out); got != before {
		t.Errorf("outside was\n%s\nis\n%s", before, got)
	}
	if top, _ := os.ReadDir(top); len(top) != 2 {
		t.Errorf("beside the work folder: %v", top)
	}
	failed, _ := os.ReadDir(filepath.Join(work, FailedDir))
	whys := 0
	for _, f := range failed {
		if strings.HasSuffix(f.Name(), ".why.txt") {
			whys++
		}
	}
	if len(failed) != 2*(others+clips) || whys != others+clips {
		t.Errorf("%d files in failed, %d reasons", len(failed), whys)
	}
	if again, _ := os.ReadDir(filepath.Join(work, ArchiveDir, "duplicates")); len(again) != twice {
		t.Errorf("%d copies", len(again))
	}
	grew := heap() - was
	if grew > 64<<20 { // others of these tests run at the same time
		t.Errorf("%d bytes stay in use", grew)
	}
	t.Logf("%d files in %.1f s; heap %+.1f MB, resident %.0f MB", others+clips+twice+notes, took.Seconds(), float64(grew)/1e6, float64(resident(t))/1e6)
}

// A daemon's memory does not grow with the clips it has worked through: after
// four hundred no more is in use than after ten, but for what a runtime and a
// store keep at hand.
func TestMemoryIsFlat(t *testing.T) {
	if testing.Short() {
		t.Skip("the race detector's own memory is not that of the daemon")
	}
	const (
		keptHeap     = 2 << 20
		keptResident = 16 << 20
	)
	work := house(t)
	s := store(t, work)
	t.Setenv("SLOW", "1")
	o := options(work)
	ctx, cancel := context.WithCancel(t.Context())
	over := make(chan error, 1)
	go func() { over <- New(s, o).Run(ctx) }()
	defer func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
	}()
	dropped := 0
	after := func(clips int) (inHeap, inAll int64) {
		t.Helper()
		for ; dropped < clips; dropped++ {
			drop(t, work, fmt.Sprintf("inbox/p%03d/%d.mov", dropped%40*10, dropped), fmt.Sprint("clip ", dropped))
		}
		for range 1200 {
			n, err := s.Counts(ctx)
			if err != nil {
				t.Fatal(err)
			}
			if n[Done] == clips {
				debug.FreeOSMemory()
				return heap(), resident(t)
			}
			time.Sleep(50 * time.Millisecond)
		}
		t.Fatal("it takes too long")
		return 0, 0
	}
	heap10, all10 := after(10)
	heap400, all400 := after(400)
	t.Logf("after 10 clips: heap %.1f MB, resident %.1f MB; after 400: %.1f and %.1f MB", float64(heap10)/1e6, float64(all10)/1e6, float64(heap400)/1e6, float64(all400)/1e6)
	if heap400 > heap10+keptHeap || all400 > all10+keptResident {
		t.Error("it has grown")
	}
}
