package main

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"tapeline/config"
)

// What the README and the compose file say of the container is what the
// Dockerfile makes: its name, where things lie, commands there are.
func TestContainer(t *testing.T) {
	read := func(name string) string {
		b, err := os.ReadFile(filepath.Join("../..", name))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	made, readme := read("Dockerfile"), read("README.md")
	last := func(pattern string) string {
		all := regexp.MustCompile(`(?m)^`+pattern+`$`).FindAllStringSubmatch(made, -1)
		if all == nil {
			t.Fatalf("the Dockerfile has no %s", pattern)
		}
		return all[len(all)-1][1]
	}
	where, home := last(`WORKDIR (\S+)`), last(`ENV TAPELINE_HOME=(\S+)`)
	if last(`ENTRYPOINT (.*)`) != `["tapeline"]` {
		t.Error("the entry point is not tapeline")
	}
	mount := func(s string) {
		t.Helper()
		_, at, _ := strings.Cut(s, ":")
		if at, _, _ = strings.Cut(at, ":"); at != where && at != home && at != "/inbox" {
			t.Errorf("%s is mounted where nothing is looked for", s)
		}
	}
	name, runs := "", 0
	for _, text := range []string{readme, made} {
		for line := range strings.Lines(text) {
			words := strings.Fields(strings.TrimLeft(line, "# "))
			at := slices.Index(words, "docker")
			if at < 0 || at+1 >= len(words) || !strings.HasPrefix(line, "    ") && !strings.HasPrefix(line, "#   ") {
				continue
			}
			words = words[at+1:]
			switch words[0] {
			case "build":
				name = words[slices.Index(words, "-t")+1]
			case "run", "exec":
				at := len(words) - 1
				for at > 0 && words[at] != name { // the container has that name too
					at--
				}
				if at == 0 || at+1 == len(words) {
					t.Fatalf("no image or command in %s", line)
				}
				command := words[at+1]
				if !slices.Contains(names(), command) {
					t.Errorf("no command is called %q: %s", command, line)
				}
				runs++
			}
		}
	}
	if name == "" || runs < 5 {
		t.Errorf("image %q, %d ways to run it", name, runs)
	}
	for _, m := range regexp.MustCompile(`-v "?([^\s"`+"`"+`]+)`).FindAllStringSubmatch(readme+made, -1) {
		mount(m[1])
	}

	var compose struct {
		Services map[string]struct {
			Build, Image, User, Restart string
			Command, Volumes            []string
			Init                        bool
			Grace                       string `yaml:"stop_grace_period"`
		}
	}
	d := yaml.NewDecoder(strings.NewReader(read("scripts/compose.yaml")))
	d.KnownFields(true)
	if err := d.Decode(&compose); err != nil {
		t.Fatal(err)
	}
	s := compose.Services["tapeline"]
	if s.Build != ".." || s.Image != name || !slices.Equal(s.Command, []string{"watch"}) || !s.Init || len(s.Volumes) == 0 {
		t.Errorf("%+v", s)
	}
	for _, v := range s.Volumes {
		mount(v)
	}

	// The configuration beside it is one.
	_, after, _ := strings.Cut(readme, "### In a container")
	block := regexp.MustCompile(`(?m)(^    \w+: .*\n)+`).FindString(after)
	file := filepath.Join(t.TempDir(), config.File)
	if err := os.WriteFile(file, []byte(regexp.MustCompile(`(?m)^    `).ReplaceAllString(block, "")), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := load(file)
	if err != nil {
		t.Fatal(err)
	}
	if z, err := c.Zone(); err != nil || z.String() == "Local" || c.Roster == "" {
		t.Errorf("%v %v %q", z, err, c.Roster)
	}
}
