package pipeline_test

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tapeline/pipeline"
	"tapeline/pipeline/publish"
)

func num(v float64) *float64 { return &v }

// stages that work, on nothing: what each would leave behind is written.
func stages(out string, log *[]string) pipeline.Stages {
	say := func(s string) { *log = append(*log, s) }
	return pipeline.Stages{
		Probe: func(_ context.Context, path string) (pipeline.Clip, error) {
			say("probe")
			return pipeline.Clip{ID: "1f", Name: filepath.Base(path), Path: path, Width: 64, Height: 36, PTS: []float64{0, 1.0 / 3}}, nil
		},
		Begin: func(c pipeline.Clip, name string) (pipeline.Draft, error) {
			say("begin")
			d, err := publish.Begin(out, name, c.Path, pipeline.Outputs, false)
			if err != nil {
				return nil, err
			}
			return d, nil
		},
		See: func(_ context.Context, c pipeline.Clip, _ pipeline.Given, tell pipeline.Progress) (pipeline.Track, error) {
			say("see")
			tell.Tell("see", 1, 2)
			return pipeline.Track{Clip: c, Warnings: []pipeline.Warning{{Code: "shaky", From: num(0.1)}}}, nil
		},
		Judge: func(tr pipeline.Track, g pipeline.Given) (pipeline.Report, error) {
			say("judge")
			return pipeline.Report{Schema: pipeline.ReportSchema, Clip: pipeline.ClipInfo{Name: tr.Clip.Name, Duration: tr.Clip.PTS[1]},
				Batter: pipeline.Batter{HeightCM: &g.HeightCM}, Warnings: tr.Warnings}, nil
		},
		Show: func(_ context.Context, c pipeline.Clip, _ *pipeline.Report, dir string, _ pipeline.Progress) error {
			say("show")
			if c.Path == "" {
				return errors.New("the clip's place is lost")
			}
			for _, n := range pipeline.Outputs {
				if n == pipeline.ReportFile || n == pipeline.TrackFile {
					continue // others write these
				}
				if err := os.WriteFile(filepath.Join(dir, n), []byte("x"), 0o666); err != nil {
					return err
				}
			}
			return nil
		},
	}
}

func files(t *testing.T, dir string) (out []string) {
	t.Helper()
	filepath.WalkDir(dir, func(p string, e fs.DirEntry, err error) error {
		if rel, _ := filepath.Rel(dir, p); err == nil && rel != "." {
			out = append(out, rel)
		}
		return err
	})
	return out
}

func TestReadPublishesAll(t *testing.T) {
	dir, log := t.TempDir(), []string{}
	r := pipeline.Runner{Stages: stages(filepath.Join(dir, "out"), &log), Given: pipeline.Given{HeightCM: 170}}
	l, err := r.Read(t.Context(), filepath.Join(dir, "one.mp4"))
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{"probe", "begin", "see", "judge", "show"}; !slices.Equal(log, want) {
		t.Errorf("order %v; want %v", log, want)
	}
	want := []string{"out", "out/one"}
	for _, n := range pipeline.Outputs {
		want = append(want, "out/one/"+n)
	}
	slices.Sort(want)
	if got := files(t, dir); !slices.Equal(got, want) {
		t.Errorf("files %v; want %v", got, want)
	}
	// The saved track judges to the same bytes.
	b, _ := os.ReadFile(filepath.Join(dir, "out/one/track.json"))
	tr, err := pipeline.ParseTrack(b)
	if err != nil || tr.Given.HeightCM != 170 {
		t.Fatalf("track %+v, %v", tr.Given, err)
	}
	again, _ := r.Stages.Judge(tr, tr.Given)
	b1, _ := pipeline.MarshalReport(again)
	b2, _ := os.ReadFile(filepath.Join(dir, "out/one/report.json"))
	b3, _ := pipeline.MarshalReport(l.Report)
	if !bytes.Equal(b1, b2) || !bytes.Equal(b2, b3) {
		t.Error("the reports differ")
	}
	if bytes.Contains(b, []byte(dir)) {
		t.Error("the track tells where the clip lay")
	}
}

// Whatever stage fails, in whatever way, nothing is left and the error says
// which clip and, to the machine, which kind.
func TestEveryFailureLeavesNothing(t *testing.T) {
	boom := errors.New("boom")
	own := &pipeline.Error{Fault: pipeline.FaultNoSwing, What: "no swing"}
	for _, way := range []string{"error", "own", "panic", "cancel", "cancel, error"} {
		for _, stage := range []string{"probe", "begin", "see", "judge", "show"} {
			t.Run(way+" in "+stage, func(t *testing.T) {
				dir, log := t.TempDir(), []string{}
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				fail := func() error {
					switch way {
					case "own":
						return own
					case "panic":
						panic("boom")
					case "cancel":
						cancel()
						return nil
					case "cancel, error":
						cancel()
						return boom
					}
					return boom
				}
				s := stages(filepath.Join(dir, "out"), &log)
				ok := s
				switch stage {
				case "probe":
					s.Probe = func(ctx context.Context, p string) (pipeline.Clip, error) {
						c, _ := ok.Probe(ctx, p)
						return c, fail()
					}
				case "begin":
					s.Begin = func(c pipeline.Clip, n string) (pipeline.Draft, error) {
						if err := fail(); err != nil {
							return nil, err
						}
						return ok.Begin(c, n)
					}
				case "see":
					s.See = func(ctx context.Context, c pipeline.Clip, g pipeline.Given, p pipeline.Progress) (pipeline.Track, error) {
						tr, _ := ok.See(ctx, c, g, p)
						return tr, fail()
					}
				case "judge":
					s.Judge = func(tr pipeline.Track, g pipeline.Given) (pipeline.Report, error) {
						rep, _ := ok.Judge(tr, g)
						return rep, fail()
					}
				case "show":
					s.Show = func(ctx context.Context, c pipeline.Clip, r *pipeline.Report, d string, p pipeline.Progress) error {
						ok.Show(ctx, c, r, d, p)
						return fail()
					}
				}
				_, err := pipeline.Runner{Stages: s}.Read(ctx, filepath.Join(dir, "one.mp4"))
				var e *pipeline.Error
				if !errors.As(err, &e) {
					t.Fatalf("error %v is not the pipeline's", err)
				}
				want := map[string]pipeline.Fault{"error": pipeline.FaultInternal, "own": pipeline.FaultNoSwing, "panic": pipeline.FaultInternal,
					"cancel": pipeline.FaultInterrupted, "cancel, error": pipeline.FaultInterrupted}[way]
				if e.Fault != want || !strings.HasSuffix(e.Path, "one.mp4") || strings.Contains(e.Error(), "\n") {
					t.Errorf("fault %d, %q; want fault %d on one line with the clip", e.Fault, e.Error(), want)
				}
				if got := files(t, dir); len(got) != 0 {
					t.Errorf("left behind: %v", got)
				}
				if own.Path != "" {
					t.Error("the stage's own error was changed")
				}
			})
		}
	}
}

func TestNaNIsNoReport(t *testing.T) {
	dir, log := t.TempDir(), []string{}
	s := stages(dir, &log)
	nan := 0.0
	nan /= nan
	s.Judge = func(pipeline.Track, pipeline.Given) (pipeline.Report, error) {
		return pipeline.Report{Batter: pipeline.Batter{HeightCM: &nan}}, nil
	}
	if _, err := (pipeline.Runner{Stages: s}).Read(t.Context(), "one.mp4"); err == nil {
		t.Error("a report with NaN was published")
	}
	if got := files(t, dir); len(got) != 0 {
		t.Errorf("left behind: %v", got)
	}
}

func TestParseTrackRefuses(t *testing.T) {
	good, _ := pipeline.MarshalTrack(pipeline.Track{Schema: pipeline.TrackSchema})
	if _, err := pipeline.ParseTrack(good); err != nil {
		t.Fatal(err)
	}
	for _, s := range []string{"", "x", "[]", "null", "{}", `{"schema":2}`, `{"schema":1,"more":1}`, string(good) + "{}", `{"schema":1,"windows":3}`} {
		if _, err := pipeline.ParseTrack([]byte(s)); err == nil || strings.Contains(err.Error(), "\n") {
			t.Errorf("ParseTrack(%.30q): error %v", s, err)
		}
	}
}

func TestFolderName(t *testing.T) {
	for in, want := range map[string]string{
		"a/b/swing.mp4": "swing", "swing": "swing", "clip%03d.mp4": "clip%03d", "-i.mp4": "-i", ".mp4": "_mp4",
		"..": "clip", ".hidden.mov": "_hidden", "a\nb.mp4": "a_b", "a:b?.mp4": "a_b_", " x .mp4": "x", "Übung 3.MOV": "Übung 3",
		"two.dots.mp4": "two.dots", "end...mp4": "end", "\xff.mp4": "_", "/": "_",
		strings.Repeat("é", 100) + ".mp4": strings.Repeat("é", 60),
	} {
		if got := pipeline.FolderName(in); got != want {
			t.Errorf("FolderName(%q) = %q; want %q", in, got, want)
		}
	}
}
