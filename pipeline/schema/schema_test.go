package schema

import (
	"encoding/json"
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"

	"tapeline/pipeline"
)

func num(v float64) *float64 { return &v }
func in(v int) *int          { return &v }

// full has something in every field.
func full() pipeline.Report {
	var events []pipeline.Event
	for i, k := range pipeline.EventKinds {
		t := float64(i) / 10
		events = append(events, pipeline.Event{Kind: k, T: &t, Lo: num(t - .01), Hi: num(t + .01), Frame: in(i), Reason: "hands"})
	}
	events[3] = pipeline.Event{Kind: pipeline.Plant, Reason: "no_stride"}
	return pipeline.Report{
		Schema: pipeline.ReportSchema,
		Clip: pipeline.ClipInfo{ID: strings.Repeat("0a", 32), Name: "a.mp4", Width: 960, Height: 540, Duration: 1.5,
			CaptureRate: 60, TimeFactor: 1},
		Batter: pipeline.Batter{Bats: "R", View: "chest", ViewAngle: num(-3), HeightCM: num(178), Inferred: []string{"bats", "view"}},
		Swings: []pipeline.Swing{{Index: 1, Chosen: true, Events: events,
			Measures: []pipeline.Measure{
				{Key: "eye_drop", From: "stance", At: "contact", Unit: "cm", Value: num(7.9), Lo: num(7.1), Hi: num(8.6), Frames: []int{0, 70}},
				{Key: "front_foot_open", At: "plant", Unit: "deg", Lo: num(15), Hi: num(60), Warnings: []string{"foot_short"}},
				{Key: "finish_hold", Unit: "s", Warnings: []string{"clip_ends"}},
			},
			Findings: []pipeline.Finding{{Rule: "eye_drop", Kind: pipeline.Priority, Evidence: []string{"eye_drop@contact"}}},
			Geometry: pipeline.Geometry{Unit: "cm", Key: 3},
		}},
		Warnings: []pipeline.Warning{{Code: "no_stride", From: num(0.1), To: num(0.5)}},
	}
}

func TestReportSchema(t *testing.T) {
	good, err := pipeline.MarshalReport(full())
	if err != nil {
		t.Fatal(err)
	}
	if err := Report(good); err != nil {
		t.Fatal(err)
	}
	for name, spoil := range map[string]func(r map[string]any){
		"another version":     func(r map[string]any) { r["schema"] = 2 },
		"unknown field":       func(r map[string]any) { r["more"] = 1 },
		"no swings":           func(r map[string]any) { r["swings"] = []any{} },
		"a side we don't use": func(r map[string]any) { r["batter"].(map[string]any)["bats"] = "S" },
		"a view we don't use": func(r map[string]any) { r["batter"].(map[string]any)["view"] = "open" },
		"an event missing":    func(r map[string]any) { swing(r)["events"] = swing(r)["events"].([]any)[1:] },
		"unit":                func(r map[string]any) { measure(r, 0)["unit"] = "px" },
		"null without a reason": func(r map[string]any) {
			measure(r, 0)["value"] = nil
			measure(r, 0)["warnings"] = []any{}
		},
		"value without bounds": func(r map[string]any) { measure(r, 0)["lo"] = nil },
		"null for a list":      func(r map[string]any) { r["warnings"] = nil },
		"a missing field":      func(r map[string]any) { delete(r["clip"].(map[string]any), "time_factor") },
		"finding kind":         func(r map[string]any) { swing(r)["findings"].([]any)[0].(map[string]any)["kind"] = "bad" },
	} {
		var r map[string]any
		if err := json.Unmarshal(good, &r); err != nil {
			t.Fatal(err)
		}
		spoil(r)
		b, _ := json.Marshal(r)
		if err := Report(b); err == nil || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: error %v; want one line", name, err)
		}
	}
}

func swing(r map[string]any) map[string]any { return r["swings"].([]any)[0].(map[string]any) }
func measure(r map[string]any, i int) map[string]any {
	return swing(r)["measures"].([]any)[i].(map[string]any)
}

// Lists are never null in a report, even where the code left them nil.
func TestNilListsAreEmpty(t *testing.T) {
	r := full()
	r.Batter.Inferred, r.Warnings, r.Swings[0].Findings, r.Swings[0].Measures[0].Warnings = nil, nil, nil, nil
	b, err := pipeline.MarshalReport(r)
	if err != nil {
		t.Fatal(err)
	}
	if err := Report(b); err != nil {
		t.Error(err)
	}
	if r.Warnings != nil || r.Swings[0].Measures[0].Warnings != nil {
		t.Error("the report itself was changed")
	}
}

func TestTrackSchema(t *testing.T) {
	pose := &pipeline.Pose{Net: "full", Spread: &[pipeline.NumJoints]float64{}, Swapped: true}
	tr := pipeline.Track{
		Schema: pipeline.TrackSchema,
		Clip:   pipeline.Clip{ID: "0a", Name: "a.mp4", Width: 2, Height: 2, PTS: []float64{0}, CaptureRate: 30, TimeFactor: 1},
		Given: pipeline.Given{Bats: "L", View: "back", HeightCM: 150, Swing: 1, Batter: &pipeline.Point{X: 1}, Distance: 5,
			Marker: "#ff8800", MarkerAt: &pipeline.Point{X: 1}, Scale: &pipeline.Span{To: pipeline.Point{X: 2}, CM: 84},
			Level: pipeline.Youth, Sport: pipeline.Softball, Coach: &pipeline.Coach{Times: []pipeline.Timed{{Event: pipeline.Plant, T: 1}},
				Points: []pipeline.Placed{{Part: "eyes", Frame: 3}}, Palms: &pipeline.Palms{Top: "up"}, Notes: []string{"n"}, Drop: []string{"eye_drop"},
				Add: []pipeline.Added{{Kind: pipeline.Strength, Text: "x"}}}},
		Models: []pipeline.Model{{Name: "full", SHA256: "00"}},
		Windows: []pipeline.Window{{Frames: []pipeline.Seen{{Camera: pipeline.Identity()},
			{Pose: pose, Camera: pipeline.Identity(), Ball: &pipeline.Point{}, Marker: &pipeline.Point{}}}}},
		Onsets:   []pipeline.Onset{{T: 1}},
		Warnings: []pipeline.Warning{{Code: "x"}},
	}
	for _, tr := range []pipeline.Track{tr, {Schema: pipeline.TrackSchema, Clip: tr.Clip}} {
		b, err := pipeline.MarshalTrack(tr)
		if err != nil {
			t.Fatal(err)
		}
		if err := Track(b); err != nil {
			t.Error(err)
		}
	}
	b, _ := pipeline.MarshalTrack(tr)
	for _, c := range [][2]string{{`"x":0,"y":0,"s":0},`, ``}, {`"pts":[0]`, `"pts":[]`}, {`"view":"back"`, `"view":"open"`}, {`"time_factor":1`, `"time_factor":0`}, {`"marker":"#ff8800"`, `"marker":"orange"`}, {`"cm":84`, `"cm":0`}} {
		bad := strings.Replace(string(b), c[0], c[1], 1)
		if bad == string(b) {
			t.Fatalf("%q is not in the track", c[0])
		}
		if err := Track([]byte(bad)); err == nil {
			t.Errorf("%q for %q was accepted", c[1], c[0])
		}
	}
}

// The schemas and the Go types name the same fields.
func TestSchemasNameEveryField(t *testing.T) {
	for name, c := range map[string]struct {
		schema []byte
		typ    reflect.Type
	}{
		"report": {ReportJSON, reflect.TypeFor[pipeline.Report]()},
		"track":  {TrackJSON, reflect.TypeFor[pipeline.Track]()},
	} {
		var doc map[string]any
		if err := json.Unmarshal(c.schema, &doc); err != nil {
			t.Fatal(err)
		}
		want, got := map[string]bool{}, map[string]bool{}
		fields(c.typ, want)
		properties(doc, got)
		for k := range want {
			if !got[k] {
				t.Errorf("%s.schema.json lacks %q", name, k)
			}
		}
		for k := range got {
			if !want[k] {
				t.Errorf("%s.schema.json has %q, which no type has", name, k)
			}
		}
		if t.Failed() {
			t.Log(slices.Sorted(maps.Keys(want)))
		}
	}
}

// fields collects the JSON fields of a type as sorted groups, one a struct.
func fields(typ reflect.Type, out map[string]bool) {
	switch typ.Kind() {
	case reflect.Pointer, reflect.Slice, reflect.Array:
		fields(typ.Elem(), out)
	case reflect.Struct:
		var keys []string
		for i := range typ.NumField() {
			tag, _, _ := strings.Cut(typ.Field(i).Tag.Get("json"), ",")
			if tag != "-" {
				keys = append(keys, tag)
				fields(typ.Field(i).Type, out)
			}
		}
		slices.Sort(keys)
		out[strings.Join(keys, " ")] = true
	}
}

// properties collects the same groups of a schema.
func properties(doc any, out map[string]bool) {
	switch d := doc.(type) {
	case map[string]any:
		if p, ok := d["properties"].(map[string]any); ok && d["type"] == "object" {
			out[strings.Join(slices.Sorted(maps.Keys(p)), " ")] = true
		}
		for _, v := range d {
			properties(v, out)
		}
	case []any:
		for _, v := range d {
			properties(v, out)
		}
	}
}
