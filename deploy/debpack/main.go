// Command debpack writes one Debian package from an nfpm description. It is the
// part of nfpm's own command that this project needs: loading the other package
// formats would pull in modules that are of no use here. It is a module of its
// own, so that nothing of it reaches the program's list of dependencies.
package main

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"

	"github.com/goreleaser/nfpm/v2"
	"github.com/goreleaser/nfpm/v2/deb"
)

func main() {
	config := flag.String("config", "nfpm.yaml", "the nfpm description")
	folder := flag.String("target", ".", "folder for the package")
	flag.Parse()
	if err := pack(*config, *folder); err != nil {
		fmt.Fprintln(os.Stderr, "debpack:", err)
		os.Exit(1)
	}
}

// pack writes the package into folder and prints its path.
func pack(config, folder string) error {
	cfg, err := nfpm.ParseFile(config)
	if err != nil {
		return fmt.Errorf("%s is not an nfpm description: %w", config, err)
	}
	info, err := cfg.Get("deb")
	if err != nil {
		return err
	}
	info = nfpm.WithDefaults(info)
	path := filepath.Join(folder, deb.Default.ConventionalFileName(info))
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	if err := deb.Default.Package(info, f); err != nil {
		f.Close()
		os.Remove(path)
		return err
	}
	fmt.Println(path)
	return f.Close()
}
