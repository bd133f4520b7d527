package journal

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// putFile puts a file in place in one step, durably.
func putFile(fs FS, dir, name string, text []byte) error {
	return writeFile(fs, dir, name, func(w io.Writer) error {
		_, err := w.Write(text)
		return err
	})
}

// writeFile writes a temporary file by f, syncs it, renames it to name and
// syncs the folder: after a power cut there is the old file or the new one.
func writeFile(fs FS, dir, name string, f func(io.Writer) error) (err error) {
	tmp := filepath.Join(dir, name+tmpSuffix)
	if err := fs.Remove(tmp); err != nil {
		return fmt.Errorf("writing %s: %w", name, err)
	}
	file, err := fs.Create(tmp)
	if err != nil {
		return fmt.Errorf("writing %s: %w", name, err)
	}
	defer func() {
		if err != nil {
			err = fmt.Errorf("writing %s: %w", name, err)
			_ = fs.Remove(tmp) // give the space back; what matters is err
		}
	}()
	if err := f(file); err != nil {
		_ = file.Close()
		return err
	}
	if err := file.Sync(); err != nil {
		_ = file.Close()
		return err
	}
	if err := file.Close(); err != nil {
		return err
	}
	if err := fs.Rename(tmp, filepath.Join(dir, name)); err != nil {
		return err
	}
	return fs.SyncDir(dir)
}

// putMeta puts run.toml in place and, if the run is sealed, SHA256SUMS with it.
// The new sums are laid ready first, so that a power cut between the two is
// mended by mendSums.
func putMeta(fs FS, dir string, m *Meta) error {
	text, err := m.encode()
	if err != nil {
		return err
	}
	if _, err := parseMeta(text); err != nil {
		return fmt.Errorf("writing run.toml: it would not be read back: %w", err)
	}
	if err := mendSums(fs, dir); err != nil {
		return err
	}
	sums, err := os.ReadFile(filepath.Join(dir, sumsName))
	if errors.Is(err, os.ErrNotExist) {
		return putFile(fs, dir, metaName, text)
	}
	if err != nil {
		return fmt.Errorf("reading %s: %w", sumsName, err)
	}
	list, err := parseSums(sums)
	if err != nil {
		return err
	}
	for i := range list {
		if list[i].name == metaName {
			list[i].sum = sha256.Sum256(text)
		}
	}
	if err := putFile(fs, dir, nextSumsName, formatSums(list)); err != nil {
		return err
	}
	if err := putFile(fs, dir, metaName, text); err != nil {
		return err
	}
	return takeNextSums(fs, dir)
}

func takeNextSums(fs FS, dir string) error {
	if err := fs.Rename(filepath.Join(dir, nextSumsName), filepath.Join(dir, sumsName)); err != nil {
		return fmt.Errorf("writing %s: %w", sumsName, err)
	}
	return fs.SyncDir(dir)
}

// mendSums ends a change of run.toml that a power cut broke off.
func mendSums(fs FS, dir string) error {
	next, err := os.ReadFile(filepath.Join(dir, nextSumsName))
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("reading %s: %w", nextSumsName, err)
	}
	list, err := parseSums(next)
	if err == nil {
		var have [sha256.Size]byte
		if have, err = sumFile(filepath.Join(dir, metaName)); err != nil {
			return err
		}
		for _, s := range list {
			if s.name == metaName && s.sum == have {
				return takeNextSums(fs, dir)
			}
		}
	}
	// run.toml is the old one still, and so are its sums.
	return fs.Remove(filepath.Join(dir, nextSumsName))
}

type fileSum struct {
	name string
	sum  [sha256.Size]byte
}

func sumFile(name string) (sum [sha256.Size]byte, err error) {
	f, err := os.Open(name)
	if err != nil {
		return sum, err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return sum, fmt.Errorf("reading %s: %w", name, err)
	}
	h.Sum(sum[:0])
	return sum, nil
}

// formatSums is the form that sha256sum -c reads.
func formatSums(list []fileSum) []byte {
	var b bytes.Buffer
	for _, s := range list {
		fmt.Fprintf(&b, "%x  %s\n", s.sum, s.name)
	}
	return b.Bytes()
}

func parseSums(text []byte) ([]fileSum, error) {
	var list []fileSum
	for i, line := range strings.Split(strings.TrimSuffix(string(text), "\n"), "\n") {
		digits, name, ok := strings.Cut(line, "  ")
		sum, err := hex.DecodeString(digits)
		if !ok || err != nil || len(sum) != sha256.Size || name == "" || name != filepath.Base(name) {
			return nil, fmt.Errorf("%s line %d: found %q, expected 64 hexadecimal digits, two spaces, a file's name", sumsName, i+1, line)
		}
		list = append(list, fileSum{name: name, sum: [sha256.Size]byte(sum)})
	}
	return list, nil
}

// putSums writes SHA256SUMS over the files of a sealed run.
func putSums(fs FS, dir string) error {
	var list []fileSum
	for _, name := range []string{sealedName, tornName, metaName} {
		sum, err := sumFile(filepath.Join(dir, name))
		if errors.Is(err, os.ErrNotExist) && name == tornName {
			continue
		}
		if err != nil {
			return fmt.Errorf("writing %s: %w", sumsName, err)
		}
		list = append(list, fileSum{name, sum})
	}
	return putFile(fs, dir, sumsName, formatSums(list))
}

// Verify checks a sealed run against its SHA256SUMS.
func Verify(dir string) error {
	text, err := os.ReadFile(filepath.Join(dir, sumsName))
	if errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("%s: the run is not sealed, there is no %s", dir, sumsName)
	}
	if err != nil {
		return fmt.Errorf("verifying: %w", err)
	}
	list, err := parseSums(text)
	if err != nil {
		return fmt.Errorf("%s: %w", dir, err)
	}
	missing := map[string]bool{sealedName: true, metaName: true}
	for _, s := range list {
		have, err := sumFile(filepath.Join(dir, s.name))
		if err != nil {
			return fmt.Errorf("verifying: %w", err)
		}
		if have != s.sum {
			return fmt.Errorf("%s: the file's content is not what %s says it was", filepath.Join(dir, s.name), sumsName)
		}
		delete(missing, s.name)
	}
	for name := range missing {
		return fmt.Errorf("%s: %s does not list %s", dir, sumsName, name)
	}
	return nil
}
