package config

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"
)

// Many is where several machines meet: one queue, one store of files. Empty
// keys are one machine with its files.
type Many struct {
	// Store is a PostgreSQL database for queue and ledger,
	// postgres://user@host:5432/db?sslmode=verify-full; empty: files. The
	// password is in no key: it comes from StorePasswordFile, or as libpq has it
	// from PGPASSFILE, ~/.pgpass or PGPASSWORD.
	Store string `mapstructure:"store"`
	// StorePasswordFile holds the password on its one line; a relative path in a
	// file is relative to that file.
	StorePasswordFile string `mapstructure:"store_password_file"`
	// Clips is the store of files, with originals and lessons for all: file:///folder
	// or s3://bucket?region=…&endpoint=…&prefix=…; empty: the work folder.
	// Credentials come from the environment or the files the SDK reads.
	Clips string `mapstructure:"clips"`
	// ClipsEvents is a subscription, awssqs://…, any message of which says that
	// something has come; what it says isn't believed.
	ClipsEvents string `mapstructure:"clips_events"`
	Worker      Worker `mapstructure:"worker"`
}

// Worker is this machine among others.
type Worker struct {
	Name string `mapstructure:"name"` // empty: the machine's own
	// Silence is after how long without a sign of life another one takes over.
	Silence time.Duration `mapstructure:"silence"`
}

func defaultMany() Many { return Many{Worker: Worker{Silence: time.Minute}} }

// StoreURL is Store with its password, for a driver and nobody else; empty where
// there is none. The error names the file only.
func (m Many) StoreURL() (string, error) {
	if m.Store == "" {
		return "", nil
	}
	u, err := url.Parse(m.Store)
	if err != nil {
		return "", errors.New("store: is no address") // what it holds stays here
	}
	if m.StorePasswordFile == "" {
		return m.Store, nil
	}
	p, err := secret("store_password_file", m.StorePasswordFile)
	if err != nil {
		return "", err
	}
	u.User = url.UserPassword(u.User.Username(), p)
	return u.String(), nil
}

// Called is the worker's name, that of the machine where none is set.
func (w Worker) Called() string {
	host, _ := os.Hostname()
	clean := strings.Map(func(r rune) rune {
		if workerForm.MatchString(string(r)) {
			return r
		}
		return '-'
	}, host)
	return cmp.Or(w.Name, clean[:min(len(clean), longestWorker)], "worker")
}

const longestWorker = 64

var workerForm = regexp.MustCompile(`^[A-Za-z0-9._-]+$`)

// What may stand behind the ? of an address. Anything else could change what is
// connected to, or be a secret.
var (
	storeKeys = []string{"connect_timeout", "host", "port", "sslcert", "sslkey", "sslmode", "sslrootcert", "target_session_attrs"}
	clipsKeys = []string{"endpoint", "prefix", "profile", "region", "disable_https", "use_path_style"}
)

func (m Many) validate() error {
	if err := m.validStore(); err != nil {
		return err
	}
	if err := m.validClips(); err != nil {
		return err
	}
	if w := m.Worker; w.Name != "" && (!workerForm.MatchString(w.Name) || len(w.Name) > longestWorker) {
		return fmt.Errorf("worker.name: %q is no name of a machine; letters, digits, dots, - and _, at most %d", w.Name, longestWorker)
	} else if w.Silence < time.Second || w.Silence > time.Hour {
		return fmt.Errorf("worker.silence: %s is not between 1s and 1h; write it with its unit, like 60s", w.Silence)
	}
	return nil
}

func (m Many) validStore() error {
	const form = "postgres://user@host:5432/database?sslmode=verify-full"
	if m.Store == "" {
		if m.StorePasswordFile != "" {
			return errors.New("store_password_file: there is no store that needs it")
		}
		return nil
	}
	u, err := url.Parse(m.Store) // an error would quote it
	switch {
	case err != nil || u.Scheme != "postgres" && u.Scheme != "postgresql":
		return errors.New("store: is no address of a PostgreSQL database; write it like " + form)
	case secretIn(u):
		return errors.New("store: may not hold a password; write it into a file of its own, store_password_file: FILE")
	case strings.Trim(u.Path, "/") == "" || strings.Contains(strings.Trim(u.Path, "/"), "/"):
		return errors.New("store: names no database; write it like " + form)
	case u.Fragment != "" || u.Opaque != "":
		return errors.New("store: is no address of a PostgreSQL database; write it like " + form)
	}
	if m.StorePasswordFile != "" && u.User.Username() == "" {
		return errors.New("store: names no user whose password store_password_file could be")
	}
	return behind("store", u, storeKeys)
}

func (m Many) validClips() error {
	const form = "file:///folder or s3://bucket?region=…"
	if m.Clips == "" {
		if m.ClipsEvents != "" {
			return errors.New("clips_events: there is no clips of which it could tell")
		}
		return nil
	}
	u, err := url.Parse(m.Clips)
	switch {
	case err != nil:
		return errors.New("clips: is no address; write it like " + form)
	case secretIn(u):
		return errors.New("clips: may not hold a key or a password; they come from the environment or the files of the SDK")
	}
	switch u.Scheme {
	case "file":
		if u.Host != "" || !path.IsAbs(u.Path) || path.Clean(u.Path) == "/" || u.RawQuery != "" || u.Fragment != "" {
			return errors.New("clips: a folder is written with three slashes and nothing behind it, file:///mnt/share/tapeline")
		}
	case "s3":
		if u.Host == "" || strings.Trim(u.Path, "/") != "" || u.Fragment != "" {
			return errors.New("clips: a bucket is written s3://bucket?region=…&endpoint=…&prefix=…")
		}
		if err := behind("clips", u, clipsKeys); err != nil {
			return err
		}
		if p := u.Query().Get("prefix"); strings.HasPrefix(p, "/") || slices.Contains(strings.Split(p, "/"), "..") || strings.ContainsFunc(p, unicode.IsControl) {
			return errors.New("clips: prefix is no folder in the bucket; write it like academy/")
		}
	default:
		return errors.New("clips: is neither a folder nor a bucket; write it like " + form)
	}
	if m.ClipsEvents == "" {
		return nil
	}
	if e, err := url.Parse(m.ClipsEvents); err != nil || e.Scheme == "" || e.Host == "" || secretIn(e) {
		return errors.New("clips_events: is no address of a subscription without a secret in it; write it like awssqs://sqs.REGION.amazonaws.com/ACCOUNT/QUEUE?region=REGION")
	}
	return nil
}

// secretIn tells whether an address holds what nobody may read in a file.
func secretIn(u *url.URL) bool {
	if _, ok := u.User.Password(); ok {
		return true
	}
	for k := range u.Query() {
		if k = strings.ToLower(k); strings.Contains(k, "password") || strings.Contains(k, "secret") || strings.Contains(k, "token") || strings.Contains(k, "access_key") || k == "passfile" {
			return true
		}
	}
	return false
}

// behind is about what stands behind the ? of an address and isn't known.
func behind(key string, u *url.URL, known []string) error {
	q, err := url.ParseQuery(u.RawQuery)
	if err != nil {
		return fmt.Errorf("%s: what stands behind the ? can't be understood", key)
	}
	for k, v := range q {
		if !slices.Contains(known, k) {
			return fmt.Errorf("%s: behind the ?: %s", key, Unknown("key", k, known))
		}
		if len(v) != 1 {
			return fmt.Errorf("%s: behind the ?: %s stands twice", key, k)
		}
	}
	return nil
}

// secret is the first line of a file that only its owner can read. The error
// names the key and the file only.
func secret(key, file string) (string, error) {
	unread := fmt.Errorf("%s: %s can't be read", key, file)
	st, err := os.Stat(file)
	if err != nil || !st.Mode().IsRegular() || st.Size() > 4096 {
		return "", unread
	}
	if st.Mode().Perm()&0o077 != 0 {
		return "", fmt.Errorf("%s: others on this machine can read %s; shut it: chmod 600", key, filepath.Clean(file))
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return "", unread
	}
	p, _, _ := bytes.Cut(b, []byte("\n"))
	return string(bytes.TrimSuffix(p, []byte("\r"))), nil
}
