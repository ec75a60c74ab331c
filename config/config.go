// Package config reads what may be set once instead of on every command line:
// defaults, then a file, then the environment; flags come after and are the
// command's business. Reading is strict: an unknown key is an error.
//
// The file is tapeline.yaml in the working folder, or the one named by
// --config. A key a.b is the variable TAPELINE_A_B in the environment.
package config

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/go-viper/mapstructure/v2"
	"github.com/spf13/viper"

	"tapeline/pipeline"
)

// File is the name looked for in the working folder.
const File = "tapeline.yaml"

// Config is everything that can be configured.
type Config struct {
	// Out is the folder in which each lesson gets a folder of its own.
	Out string `mapstructure:"out"`
	// Ledger is the file that remembers players and lessons; empty: ledger.db
	// in Out.
	Ledger string `mapstructure:"ledger"`
	// Home is where the set-up put the models and the inference library;
	// empty: the cache folder of the user.
	Home string `mapstructure:"home"`
	// Lang is the language of what a person reads, Units the system of its
	// lengths; which there are the room of words knows.
	Lang  string `mapstructure:"lang"`
	Units string `mapstructure:"units"`
	// Rules is an academy's own file of rules, over the shipped ones; a
	// relative path in a file is relative to that file.
	Rules  string `mapstructure:"rules"`
	Batter Batter `mapstructure:"batter"`
	Camera Camera `mapstructure:"camera"`
	Pose   Pose   `mapstructure:"pose"`
	// Decoder of the film's pictures: one of Decoders. What measures always
	// decodes in software, so that no number depends on the machine.
	Decoder string `mapstructure:"decoder"`
	Yard    `mapstructure:",squash"`
	Leave   `mapstructure:",squash"`
	Many    `mapstructure:",squash"`
}

// Batter is what is known of who swings.
type Batter struct {
	Height string `mapstructure:"height"` // see ParseHeight; empty: unknown
	Bats   string `mapstructure:"bats"`   // "R", "L"; empty: inferred
	Level  string `mapstructure:"level"`  // one of pipeline.Levels; empty: unknown
	Sport  string `mapstructure:"sport"`  // one of pipeline.Sports; empty: baseball
}

// Camera is what is known of where the phone stands.
type Camera struct {
	View     string `mapstructure:"view"`     // "chest", "back", "pitcher", "catcher"; empty: inferred
	Distance string `mapstructure:"distance"` // see ParseDistance; empty: inferred
}

// Pose chooses the network.
type Pose struct {
	Quality string `mapstructure:"quality"` // "best" or "quick"
}

// Views, Qualities and Decoders are the words allowed for camera.view,
// pose.quality and decoder.
var (
	Views     = []string{"chest", "back", "pitcher", "catcher"}
	Qualities = []string{"best", "quick"}
	Decoders  = []string{"auto", "software"} // auto: video hardware where there is some
)

// Default is what holds when nothing is set.
func Default() Config {
	return Config{Out: "lessons", Lang: "en", Units: "metric", Pose: Pose{Quality: "best"}, Decoder: "auto", Yard: defaultYard(), Leave: defaultLeave(), Many: defaultMany()}
}

// Hardware tells whether the film may be decoded by video hardware.
func (c Config) Hardware() bool { return c.Decoder == "auto" }

// Load reads the configuration. An empty path means File in the working
// folder if there is one. Errors are one line and name the file, and the
// dotted key where one is concerned.
func Load(path string) (Config, error) {
	v := viper.New()
	for key, value := range flat("", reflect.ValueOf(Default())) {
		v.SetDefault(key, value)
	}
	v.SetEnvPrefix("TAPELINE")
	v.SetEnvKeyReplacer(strings.NewReplacer(".", "_"))
	v.AutomaticEnv()

	named := path != ""
	if !named {
		path = File
	}
	source := "the environment"
	if _, err := os.Stat(path); err == nil {
		source = path
		v.SetConfigFile(path)
		v.SetConfigType("yaml")
		if err := v.ReadInConfig(); err != nil {
			return Config{}, fmt.Errorf("%s: %s", path, strings.TrimPrefix(strings.TrimPrefix(oneLine(err), "While parsing config: "), "yaml: "))
		}
	} else if named || !errors.Is(err, fs.ErrNotExist) {
		return Config{}, fmt.Errorf("%s: can't be read", path)
	}

	if err := strange(v.AllKeys()); err != nil {
		return Config{}, fmt.Errorf("%s: %w", source, err)
	}
	c := Config{}
	strict := func(d *mapstructure.DecoderConfig) {
		d.WeaklyTypedInput = false
		d.DecodeHook = mapstructure.ComposeDecodeHookFunc(d.DecodeHook, wholeNumber)
	}
	if err := v.UnmarshalExact(&c, strict); err != nil {
		return Config{}, fmt.Errorf("%s: %s", source, undecoded(err))
	}
	if err := c.Validate(); err != nil {
		return Config{}, fmt.Errorf("%s: %w", source, err)
	}
	for _, f := range []struct {
		key string
		at  *string
	}{{"rules", &c.Rules}, {"roster", &c.Roster}, {"mail.password_file", &c.Mail.PasswordFile}, {"store_password_file", &c.StorePasswordFile}} {
		inFile := v.InConfig(f.key) && os.Getenv("TAPELINE_"+strings.ToUpper(strings.ReplaceAll(f.key, ".", "_"))) == ""
		if inFile && *f.at != "" && !filepath.IsAbs(*f.at) {
			*f.at = filepath.Join(filepath.Dir(path), *f.at)
		}
	}
	return c, nil
}

// wholeNumber reads whole numbers that come as text, as all of the environment
// does.
func wholeNumber(from, to reflect.Kind, v any) (any, error) {
	if s, ok := v.(string); ok && from == reflect.String && to == reflect.Int {
		if n, err := strconv.Atoi(s); err == nil {
			return n, nil
		}
	}
	return v, nil
}

// Validate checks every value; the error names the dotted key.
func (c Config) Validate() error {
	if strings.TrimSpace(c.Out) == "" {
		return errors.New("out: is empty")
	}
	if c.Batter.Height != "" {
		if _, err := ParseHeight(c.Batter.Height); err != nil {
			return fmt.Errorf("batter.height: %w", err)
		}
	}
	if c.Camera.Distance != "" {
		if _, err := ParseDistance(c.Camera.Distance); err != nil {
			return fmt.Errorf("camera.distance: %w", err)
		}
	}
	for _, k := range []struct {
		key, value string
		words      []string
		empty      bool
	}{
		{"batter.bats", c.Batter.Bats, []string{"R", "L"}, true},
		{"batter.level", c.Batter.Level, plain(pipeline.Levels), true},
		{"batter.sport", c.Batter.Sport, plain(pipeline.Sports), true},
		{"camera.view", c.Camera.View, Views, true},
		{"pose.quality", c.Pose.Quality, Qualities, false},
		{"decoder", c.Decoder, Decoders, false},
	} {
		if k.value == "" && k.empty {
			continue
		}
		if !slices.Contains(k.words, k.value) {
			return fmt.Errorf("%s: %q is not one of %s", k.key, k.value, strings.Join(k.words, ", "))
		}
	}
	if err := c.Yard.validate(); err != nil {
		return err
	}
	if err := c.Many.validate(); err != nil {
		return err
	}
	if c.Store != "" && c.Ledger != "" {
		return errors.New("ledger: lies in the database of store; take one of the two out")
	}
	if c.Jobs == 0 && c.Clips == "" {
		return errors.New("jobs: 0 reads nothing; that is for a machine whose clips others read, with clips set")
	}
	return c.Leave.validate()
}

func plain[S ~string](of []S) (out []string) {
	for _, s := range of {
		out = append(out, string(s))
	}
	return out
}

// Inch and foot are exact by the international yard and pound agreement of
// 1959: 1 in = 25.4 mm.
const (
	inch = 2.54      // cm
	foot = 12 * inch // cm
)

var (
	metric   = regexp.MustCompile(`^(\d+(?:[.,]\d+)?)\s*(cm|m)$`)
	imperial = regexp.MustCompile(`^(?:(\d+)\s*(?:ft|'))?\s*(?:(\d+(?:[.,]\d+)?)\s*(?:in|"|''))?$`)
)

// Shortest and tallest height that is taken for a person's, cm.
const (
	shortest = 60
	tallest  = 250
)

// ParseHeight reads a standing height and gives it in centimetres: "170cm",
// "1.70m", "67in", "5ft7in", "5ft", "5'7\"". A number without a unit is
// refused, and so is what can't be a person's height.
func ParseHeight(s string) (cm float64, err error) {
	cm, ok := length(s)
	if !ok {
		return 0, fmt.Errorf("%q is not a height; write 170cm, 1.70m, 67in or 5ft7in", s)
	}
	if cm < shortest || cm > tallest {
		return 0, fmt.Errorf("%q is not a person's height (%d to %d cm)", s, shortest, tallest)
	}
	return cm, nil
}

// ParseDistance reads how far the phone stands from the batter and gives it in
// metres: "5m", "16ft", or a bare number of metres.
func ParseDistance(s string) (m float64, err error) {
	if _, err := strconv.ParseFloat(s, 64); err == nil {
		s += "m"
	}
	cm, ok := length(s)
	if !ok {
		return 0, fmt.Errorf("%q is not a distance; write 5m or 16ft", s)
	}
	if m = cm / 100; m < 0.5 || m > 100 {
		return 0, fmt.Errorf("%q is not a distance a swing is filmed from (0.5 to 100 m)", s)
	}
	return m, nil
}

// ParseLength reads the length of a thing in the picture and gives it in
// centimetres: "17in", "84cm", "0.84m", "2ft10in".
func ParseLength(s string) (cm float64, err error) {
	cm, ok := length(s)
	if !ok {
		return 0, fmt.Errorf("%q is not a length; write 17in, 84cm or 0.84m", s)
	}
	if cm < 10 || cm > 1000 {
		return 0, fmt.Errorf("%q is no length to measure a batter by (10 cm to 10 m)", s)
	}
	return cm, nil
}

func length(s string) (cm float64, ok bool) {
	s = strings.ToLower(strings.TrimSpace(s))
	num := func(s string) float64 {
		f, _ := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
		return f
	}
	if m := metric.FindStringSubmatch(s); m != nil {
		if m[2] == "m" {
			return num(m[1]) * 100, true
		}
		return num(m[1]), true
	}
	m := imperial.FindStringSubmatch(s)
	if m == nil || m[1] == "" && m[2] == "" {
		return 0, false
	}
	in := num(m[2])
	if m[1] != "" && in >= 12 {
		return 0, false // 5ft13in is a slip
	}
	return num(m[1])*foot + in*inch, true
}

// flat lists the dotted keys of a struct with their values.
func flat(prefix string, v reflect.Value) map[string]any {
	out := map[string]any{}
	for i := range v.NumField() {
		if v.Type().Field(i).Anonymous {
			maps.Copy(out, flat(prefix, v.Field(i)))
			continue
		}
		key := prefix + v.Type().Field(i).Tag.Get("mapstructure")
		if f := v.Field(i); f.Kind() == reflect.Struct {
			for k, x := range flat(key+".", f) {
				out[k] = x
			}
		} else {
			out[key] = f.Interface()
		}
	}
	return out
}

// strange is about the first of the keys that isn't one of ours.
func strange(keys []string) error {
	ours := slices.Sorted(maps.Keys(flat("", reflect.ValueOf(Default()))))
	slices.Sort(keys)
	for _, k := range keys {
		switch {
		case slices.Contains(ours, k):
		case slices.ContainsFunc(ours, func(o string) bool { return strings.HasPrefix(o, k+".") }):
			var of []string
			for _, o := range ours {
				if strings.HasPrefix(o, k+".") {
					of = append(of, o)
				}
			}
			return fmt.Errorf("%s: holds keys of its own: %s", k, strings.Join(of, ", "))
		default:
			return errors.New(unknownKey(k, ours))
		}
	}
	return nil
}

// kinds as a person names them.
var kinds = map[reflect.Kind]string{reflect.String: "text (in quotes, if it looks like a number)", reflect.Bool: "true or false",
	reflect.Int: "a whole number", reflect.Int64: "a whole number", reflect.Float64: "a number"}

// undecoded says which key holds what it can't, in our words.
func undecoded(err error) string {
	var at *mapstructure.DecodeError
	var odd *mapstructure.UnconvertibleTypeError
	if errors.As(err, &at) && errors.As(at, &odd) && kinds[odd.Expected.Kind()] != "" {
		return fmt.Sprintf("%s: %q is not %s", at.Name(), fmt.Sprint(odd.Value), kinds[odd.Expected.Kind()])
	}
	if errors.As(err, &at) && strings.Contains(at.Error(), "invalid duration") {
		return at.Name() + ": is no length of time; write it with its unit, like 30s or 10m"
	}
	return oneLine(err)
}

// oneLine joins the lines of a library's message.
func oneLine(err error) string { return strings.Join(strings.Fields(err.Error()), " ") }
