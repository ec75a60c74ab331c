// Package schema holds the JSON Schemas of report.json and track.json and
// checks files against them.
package schema

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"strings"
	"sync"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"golang.org/x/text/language"
	"golang.org/x/text/message"
)

// ReportJSON and TrackJSON are the schemas, JSON Schema draft 2020-12.
var (
	//go:embed report.schema.json
	ReportJSON []byte
	//go:embed track.schema.json
	TrackJSON []byte
)

var (
	report = sync.OnceValues(func() (*jsonschema.Schema, error) { return compile("report.schema.json", ReportJSON) })
	track  = sync.OnceValues(func() (*jsonschema.Schema, error) { return compile("track.schema.json", TrackJSON) })
)

// Report checks the bytes of a report.json. The error is one line that names
// the place.
func Report(b []byte) error { return check(report, b) }

// Track checks the bytes of a track.json. The error is one line that names
// the place.
func Track(b []byte) error { return check(track, b) }

func compile(name string, b []byte) (*jsonschema.Schema, error) {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		return nil, err
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource(name, doc); err != nil {
		return nil, err
	}
	return c.Compile(name)
}

func check(get func() (*jsonschema.Schema, error), b []byte) error {
	s, err := get()
	if err != nil {
		return err
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		return err
	}
	err = s.Validate(doc)
	var bad *jsonschema.ValidationError
	if !errors.As(err, &bad) {
		return err
	}
	for len(bad.Causes) > 0 { // the innermost says most
		bad = bad.Causes[0]
	}
	at := "the top"
	if len(bad.InstanceLocation) > 0 {
		at = strings.Join(bad.InstanceLocation, ".")
	}
	return fmt.Errorf("%s: %s", at, bad.ErrorKind.LocalizedString(message.NewPrinter(language.English)))
}
