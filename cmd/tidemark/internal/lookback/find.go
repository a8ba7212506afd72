package lookback

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/goccy/go-yaml"
)

// File is the name of the history within a state directory.
const File = "tidemark.db"

// DefaultStateDir is where the packaged service keeps its state.
const DefaultStateDir = "/var/lib/tidemark"

// Place is where a history is looked for.
type Place struct {
	Path string
	How  string // in words, for errors
}

// Find says where the service's history is. It asks in this order: the file named
// by hand, TIDEMARK_STATE, systemd's STATE_DIRECTORY, state_dir of the
// configuration, /var/lib/tidemark. The file must exist unless mayBeNew.
func Find(byHand, configFile string, getenv func(string) string, mayBeNew bool) (Place, error) {
	p, err := where(byHand, configFile, getenv)
	if err != nil {
		return Place{}, err
	}
	_, err = os.Stat(p.Path)
	switch {
	case err == nil || mayBeNew && errors.Is(err, fs.ErrNotExist):
		return p, nil
	case errors.Is(err, fs.ErrPermission):
		return Place{}, fmt.Errorf("no permission to read %s (%s); run it with sudo, or as the user of the service", p.Path, p.How)
	}
	return Place{}, fmt.Errorf("there is no history at %s (%s); name it with --db FILE", p.Path, p.How)
}

// where decides on the place without looking at it.
func where(byHand, configFile string, getenv func(string) string) (Place, error) {
	if byHand != "" {
		return Place{byHand, "named by --db"}, nil
	}
	for _, name := range []string{"TIDEMARK_STATE", "STATE_DIRECTORY"} {
		dir, _, _ := strings.Cut(getenv(name), ":") // systemd lists several with colons
		if dir != "" {
			return Place{filepath.Join(dir, File), "named by " + name}, nil
		}
	}
	dir, err := stateDir(configFile)
	if err != nil {
		return Place{}, err
	}
	if dir != "" {
		return Place{filepath.Join(dir, File), "named by state_dir in " + configFile}, nil
	}
	return Place{filepath.Join(DefaultStateDir, File), "the usual place"}, nil
}

// stateDir reads state_dir of the configuration, and nothing else of it: a mistake
// elsewhere in the file must not keep anybody from the history. It is empty when
// there is no such file or key.
func stateDir(configFile string) (string, error) {
	data, err := os.ReadFile(configFile)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("the configuration cannot be read: %w; name the history with --db FILE", err)
	}
	var c struct {
		StateDir string `yaml:"state_dir"`
	}
	if err := yaml.Unmarshal(data, &c); err != nil {
		return "", fmt.Errorf("%s is not readable as YAML: %w; name the history with --db FILE", configFile, err)
	}
	return c.StateDir, nil
}
