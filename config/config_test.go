package config

import (
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

func TestParseHeight(t *testing.T) {
	for _, c := range []struct {
		in string
		cm float64 // 0: refused
	}{
		// 1 in = 25.4 mm exactly (international yard and pound agreement, 1959).
		{"170cm", 170}, {"170 cm", 170}, {"1.70m", 170}, {"1,70m", 170}, {"67in", 170.18},
		{"5ft7in", 170.18}, {"5ft 7in", 170.18}, {`5'7"`, 170.18}, {"5ft", 152.4}, {"5FT7IN", 170.18},
		{"5ft7.5in", 171.45}, {"5 ft 7 in", 170.18},
		{"", 0}, {"170", 0}, {"tall", 0}, {"-170cm", 0}, {"17cm", 0}, {"1700cm", 0}, {"5ft13in", 0},
		{"170cmx", 0}, {"NaNcm", 0}, {"1e2cm", 0}, {"0ft", 0},
	} {
		got, err := ParseHeight(c.in)
		if (err != nil) != (c.cm == 0) || math.Abs(got-c.cm) > 1e-9 {
			t.Errorf("ParseHeight(%q) = %v, %v; want %v", c.in, got, err, c.cm)
		}
	}
}

func TestParseDistance(t *testing.T) {
	for in, m := range map[string]float64{"5m": 5, "5": 5, "450cm": 4.5, "16ft": 4.8768, "0.1m": 0, "far": 0, "-5": 0, "NaN": 0} {
		got, err := ParseDistance(in)
		if (err != nil) != (m == 0) || math.Abs(got-m) > 1e-9 {
			t.Errorf("ParseDistance(%q) = %v, %v; want %v", in, got, err, m)
		}
	}
}

func TestParseLength(t *testing.T) {
	for in, want := range map[string]float64{"17in": 43.18, "84cm": 84, "0.84m": 84, "2ft10in": 86.36, "3in": 0, "11m": 0, "84": 0, "": 0, "-84cm": 0} {
		got, err := ParseLength(in)
		if (err != nil) != (want == 0) || math.Abs(got-want) > 1e-9 {
			t.Errorf("ParseLength(%q) = %v, %v; want %v", in, got, err, want)
		}
	}
}

// What the caller has set, the cache folder say, is no default.
func TestMain(m *testing.M) {
	for _, kv := range os.Environ() {
		if k, _, _ := strings.Cut(kv, "="); strings.HasPrefix(k, "TAPELINE_") {
			os.Unsetenv(k)
		}
	}
	os.Exit(m.Run())
}

func TestLoad(t *testing.T) {
	for _, c := range []struct {
		name, file string
		env        map[string]string
		want       func(Config) bool
		err        string
	}{
		{name: "nothing set", want: func(c Config) bool { return reflect.DeepEqual(c, Default()) }},
		{name: "file", file: "out: o\nbatter:\n  height: 5ft7in\n", want: func(c Config) bool {
			return c.Out == "o" && c.Batter.Height == "5ft7in" && c.Pose.Quality == "best"
		}},
		{name: "empty file", file: "\n", want: func(c Config) bool { return reflect.DeepEqual(c, Default()) }},
		{name: "environment over file", file: "out: o\n", env: map[string]string{"TAPELINE_OUT": "e", "TAPELINE_POSE_QUALITY": "quick"},
			want: func(c Config) bool { return c.Out == "e" && c.Pose.Quality == "quick" }},
		{name: "decoder", file: "decoder: software\n", want: func(c Config) bool { return !c.Hardware() && Default().Hardware() }},
		{name: "no such decoder", file: "decoder: gpu\n", err: `decoder: "gpu" is not one of auto, software`},
		{name: "no decoder", file: "decoder: ''\n", err: "decoder: "},
		{name: "unknown key", file: "batter:\n  hieght: 170cm\n", err: `no key is called "batter.hieght"; did you mean "batter.height"?`},
		{name: "unknown top key", file: "oot: x\n", err: `no key is called "oot"; did you mean "out"?`},
		{name: "key in the wrong place", file: "height: 170cm\n", err: `no key is called "height"; did you mean "batter.height"?`},
		{name: "misspelt in the wrong place", file: "pose:\n  veiw: chest\n", err: `no key is called "pose.veiw"; did you mean "camera.view"?`},
		{name: "nothing like it", file: "wobbliness: x\n", err: `no key is called "wobbliness"; there are academy.colour, academy.foot`},
		{name: "below a key", file: "batter:\n  height:\n    cm: 170\n", err: `no key is called "batter.height.cm"; did you mean "batter.height"?`},
		{name: "a value for a group", file: "camera: chest\n", err: `camera: holds keys of its own: camera.distance, camera.view`},
		{name: "wrong type", file: "out: [1]\n", err: `out: "[1]" is not text`},
		{name: "number for a word", file: "batter:\n  height: 170\n", err: `batter.height: "170" is not text`},
		{name: "no duration", file: "settle: soon\n", err: "settle: is no length of time"},
		{name: "no number", file: "jobs: many\n", err: `jobs: "many" is not a whole number`},
		{name: "key twice", file: "out: a\nout: b\n", err: "already defined"},
		{name: "not yaml", file: ":\n\t- {", err: "tapeline.yaml"},
		{name: "not yaml, in our words", file: "out: a\n - b: {\n", err: "tapeline.yaml: line "},
		{name: "bad value in file", file: "camera:\n  view: above\n", err: "camera.view"},
		{name: "bad value in environment", env: map[string]string{"TAPELINE_BATTER_BATS": "S"}, err: "batter.bats"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Chdir(t.TempDir())
			for k, v := range c.env {
				t.Setenv(k, v)
			}
			if c.file != "" {
				if err := os.WriteFile(File, []byte(c.file), 0o666); err != nil {
					t.Fatal(err)
				}
			}
			got, err := Load("")
			if c.err != "" {
				if err == nil || !strings.Contains(err.Error(), c.err) || strings.Contains(err.Error(), "\n") {
					t.Fatalf("error %v; want one line with %q", err, c.err)
				}
				return
			}
			if err != nil || !c.want(got) {
				t.Fatalf("got %+v, %v", got, err)
			}
		})
	}
}

func TestLoadNamed(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	if _, err := Load("none.yaml"); err == nil {
		t.Error("a named file that is missing must be an error")
	}
	p := filepath.Join(dir, "mine.conf")
	os.WriteFile(p, []byte("out: there\n"), 0o666)
	if c, err := Load(p); err != nil || c.Out != "there" {
		t.Errorf("got %+v, %v", c, err)
	}
}

// An academy's rules lie beside the configuration that names them; a variable
// of the environment names them from the working folder.
func TestRulesBesideTheFile(t *testing.T) {
	barn := filepath.Join(t.TempDir(), "barn")
	if err := os.Mkdir(barn, 0o777); err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	file := filepath.Join(barn, File)
	for _, c := range []struct{ set, env, want string }{
		{"", "", ""},
		{"rules: own.yaml", "", filepath.Join(barn, "own.yaml")},
		{"rules: ../own.yaml", "", filepath.Join(filepath.Dir(barn), "own.yaml")},
		{"rules: /etc/own.yaml", "", "/etc/own.yaml"},
		{"rules: own.yaml", "other.yaml", "other.yaml"},
		{"", "other.yaml", "other.yaml"},
	} {
		if err := os.WriteFile(file, []byte(c.set+"\n"), 0o666); err != nil {
			t.Fatal(err)
		}
		t.Setenv("TAPELINE_RULES", c.env)
		got, err := Load(file)
		if err != nil || got.Rules != c.want {
			t.Errorf("%q with %q: %q, %v; want %q", c.set, c.env, got.Rules, err, c.want)
		}
	}
}
