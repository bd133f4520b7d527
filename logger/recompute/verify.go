package recompute

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"tipoff/logger/journal"
)

func sumsName(n int) string { return folderName(n) + ".SHA256SUMS" }

// readings is the file of a run's folder that is never written again.
const readings = "frames.lp.zst"

// resultSums is the text of recomputed-<n>.SHA256SUMS, in the format of
// sha256sum: of the result, whose text is given, and of its readings. The
// folder's run.toml is in the folder's own SHA256SUMS, which follow when its
// sheet is made again.
func resultSums(dir string, n int, result []byte) ([]byte, error) {
	frames, err := sumOf(filepath.Join(dir, folderName(n), readings))
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s  %s\n%s  %s\n", hash(result), resultName(n), frames, folderName(n)+"/"+readings)
	return b.Bytes(), nil
}

func sumOf(name string) (string, error) {
	f, err := os.Open(name)
	if err != nil {
		return "", err
	}
	h := sha256.New()
	_, err = io.Copy(h, f)
	if err = errors.Join(err, f.Close()); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// Verify checks all finished recomputations of the run in dir against their
// sums, and tells how many there are.
func Verify(dir string) (int, error) {
	for n := 1; ; n++ {
		result, err := os.ReadFile(filepath.Join(dir, resultName(n)))
		if errors.Is(err, fs.ErrNotExist) {
			return n - 1, nil
		}
		if err != nil {
			return n - 1, fmt.Errorf("verifying a recomputation: %w", err)
		}
		if err := verify(dir, n, result); err != nil {
			return n - 1, err
		}
	}
}

func verify(dir string, n int, result []byte) error {
	if _, err := parseResult(result); err != nil {
		return fmt.Errorf("%s: %w", filepath.Join(dir, resultName(n)), err)
	}
	if err := journal.Verify(filepath.Join(dir, folderName(n))); err != nil {
		return err
	}
	have, err := os.ReadFile(filepath.Join(dir, sumsName(n)))
	if err != nil {
		return fmt.Errorf("verifying: %w", err)
	}
	want, err := resultSums(dir, n, result)
	if err != nil {
		return fmt.Errorf("verifying: %w", err)
	}
	if !bytes.Equal(have, want) {
		return fmt.Errorf("%s: the content of %s or of its readings is not what the file says it was", filepath.Join(dir, sumsName(n)), resultName(n))
	}
	return nil
}
