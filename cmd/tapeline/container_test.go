package main

import (
	"bytes"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"tapeline/config"
	"tapeline/pipeline"
	"tapeline/pipeline/deliver/smtptest"
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

// The file for several machines runs commands there are, mounts where things
// are looked for, and the configuration in its head is one.
func TestContainers(t *testing.T) {
	name, err := filepath.Abs("../../scripts/compose-many.yaml")
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	var compose struct {
		Services map[string]struct {
			Image       string
			Command     []string
			Volumes     []string
			Environment map[string]string
			EnvFile     string         `yaml:"env_file"`
			DependsOn   map[string]any `yaml:"depends_on"`
			Secrets     []string
			NetworkMode string `yaml:"network_mode"`
		}
		Volumes map[string]any
		Secrets map[string]any
	}
	if err := yaml.Unmarshal(b, &compose); err != nil {
		t.Fatal(err)
	}
	ours := map[string]int{}
	for service, s := range compose.Services {
		for on := range s.DependsOn {
			if _, ok := compose.Services[on]; !ok {
				t.Errorf("%s waits for %s, which there isn't", service, on)
			}
		}
		for _, v := range s.Secrets {
			if _, ok := compose.Secrets[v]; !ok {
				t.Errorf("%s: no secret is called %s", service, v)
			}
		}
		for _, v := range s.Volumes {
			from, _, _ := strings.Cut(v, ":")
			if _, ok := compose.Volumes[from]; !ok && !strings.HasPrefix(from, "/srv/barn") {
				t.Errorf("%s: %s is nowhere", service, v)
			}
		}
		if s.Image != "tapeline" {
			continue
		}
		ours[s.Command[0]]++
		if !slices.Contains(names(), s.Command[0]) || s.EnvFile == "" || len(s.Volumes) != 1 || !strings.HasPrefix(s.Volumes[0], "/srv/barn:/clips") {
			t.Errorf("%s: %+v", service, s)
		}
	}
	if len(ours) != 3 || ours["watch"] != 1 || ours["work"] != 1 || ours["desk"] != 1 {
		t.Errorf("%v", ours)
	}

	dir := t.TempDir()
	block := regexp.MustCompile(`(?m)(^#   \w+: .*\n)+`).FindString(string(b))
	if err := os.WriteFile(filepath.Join(dir, config.File), []byte(regexp.MustCompile(`(?m)^#   `).ReplaceAllString(block, "")), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "database.password"), []byte("secret\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for k, v := range compose.Services["work"].Environment {
		t.Setenv(k, v)
	}
	c, err := load(filepath.Join(dir, config.File))
	if err != nil {
		t.Fatal(err)
	}
	for _, at := range []string{c.Store, c.Clips} {
		u, err := url.Parse(at)
		if err != nil {
			t.Fatal(err)
		}
		host := u.Hostname()
		if e, err := url.Parse(u.Query().Get("endpoint")); err == nil && e.Host != "" {
			host = e.Hostname()
		}
		if _, ok := compose.Services[host]; !ok {
			t.Errorf("%q is no service", host)
		}
	}
	if c.Mail.Host != "127.0.0.1" || compose.Services["mail"].NetworkMode != "service:watch" {
		t.Errorf("mail at %s, beside %q", c.Mail.Host, compose.Services["mail"].NetworkMode)
	}
	if c.Jobs != 1 || c.Work != "/tmp/work" {
		t.Errorf("a worker's jobs %d, work %s", c.Jobs, c.Work)
	}
	if y, err := openYard(filepath.Join(dir, config.File), speech{}); err != nil {
		t.Error(err)
	} else if d, err := y.depot(t.Context()); err != nil {
		t.Error(err)
	} else {
		d.Close()
	}

	// Each command gets as far as the database: its flags, and every file that the
	// head of the file tells to make, are right.
	for _, n := range []string{"roster.csv", "database.password", "desk.password", "desk.crt", "desk.key", "files.env"} {
		if !strings.Contains(string(b), n) {
			t.Errorf("%s isn't told of", n)
		}
	}
	cert, key, _ := smtptest.Certificate(t, "127.0.0.1")
	for n, text := range map[string][]byte{"roster.csv": []byte("id\nb07\n"), "desk.password": []byte("correct horse battery\n"), "desk.crt": cert, "desk.key": key} {
		if err := os.WriteFile(filepath.Join(dir, n), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	t.Chdir(dir)
	t.Setenv("TAPELINE_STORE", "postgres://tapeline@127.0.0.1:1/tapeline?sslmode=disable")
	t.Setenv("TAPELINE_WORK", filepath.Join(dir, "work"))
	for service, s := range compose.Services {
		if s.Image != "tapeline" {
			continue
		}
		var out bytes.Buffer
		if code := run(s.Command, nil, &out, &out); code != int(pipeline.FaultLedger) || !strings.Contains(out.String(), "127.0.0.1:1") {
			t.Errorf("%s: %d: %s", service, code, out.String())
		}
	}
	for _, m := range regexp.MustCompile(`tapeline (\w+)\n`).FindAllStringSubmatch(string(b), -1) {
		if !slices.Contains(names(), m[1]) {
			t.Errorf("no command is called %q", m[1])
		}
	}

	// As docker compose itself reads it, where it is.
	docker, err := exec.LookPath("docker")
	if err != nil || exec.Command(docker, "compose", "version").Run() != nil {
		t.Skip("docker compose isn't here")
	}
	cmd := exec.Command(docker, "compose", "-f", name, "config", "--quiet", "--no-env-resolution")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%v: %s", err, out)
	}
}
