package depot

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io/fs"
	"net"
	"os"
	"path"
	"slices"
	"strings"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	awsmiddleware "github.com/aws/aws-sdk-go-v2/aws/middleware"
	"github.com/aws/aws-sdk-go-v2/service/s3"
	"golang.org/x/sys/unix"

	"tapeline/pipeline"
)

// ProbeDir is the key below which Check stores a small file for a moment.
const ProbeDir = "check"

// Right is something that must be allowed in a store.
type Right string

// The rights, in the order in which they are told. Of a folder there are write,
// read, list and remove.
const (
	MayWrite         Right = "write"
	MayRead          Right = "read"
	MayList          Right = "list"
	MayListVersions  Right = "list_versions"
	MayListUploads   Right = "list_uploads"
	MayRemove        Right = "remove"
	MayRemoveVersion Right = "remove_version"
)

// Action is what a bucket's policy calls a right
// (docs.aws.amazon.com/service-authorization/latest/reference/list_amazons3.html).
func (r Right) Action() string {
	return map[Right]string{
		MayWrite: "s3:PutObject", MayRead: "s3:GetObject", MayList: "s3:ListBucket", MayListVersions: "s3:ListBucketVersions",
		MayListUploads: "s3:ListBucketMultipartUploads", MayRemove: "s3:DeleteObject", MayRemoveVersion: "s3:DeleteObjectVersion",
	}[r]
}

// Facts is what can be known of a store.
type Facts struct {
	Bucket   bool          // not a folder
	Versions bool          // a bucket that keeps earlier versions
	Ahead    time.Duration // its clock before ours; 0 for a folder
	Open     bool          // what goes there is not encrypted
	// What was tried and refused, and what could not be tried for that.
	Refused, Untried []Right
	// Left is the key of what was stored to try, where it could not be removed.
	Left string
}

func (f *Facts) refuse(r Right) {
	if !slices.Contains(f.Refused, r) {
		f.Refused = append(f.Refused, r)
	}
}

// Check looks whether a store is there and what may be done in it, by doing it:
// a small file below ProbeDir is stored, fetched, compared, listed and removed in
// every version. Where nothing is refused it is as it was. Errors are
// *pipeline.Error; FaultOutput: it is away, another try may go well.
func (d *Depot) Check(ctx context.Context) (f Facts, err error) {
	if d.root != "" {
		err = d.tryFolder(&f)
	} else {
		err = d.tryBucket(ctx, &f)
	}
	if err != nil {
		return f, d.fault(err)
	}
	order := func(a, b Right) int { return slices.Index(rights, a) - slices.Index(rights, b) }
	slices.SortFunc(f.Refused, order)
	slices.SortFunc(f.Untried, order)
	return f, nil
}

var rights = []Right{MayWrite, MayRead, MayList, MayListVersions, MayListUploads, MayRemove, MayRemoveVersion}

// fault says what is wrong with a store as a whole.
func (d *Depot) fault(err error) error {
	var own *Error
	if errors.As(err, &own) {
		err = own.err
	}
	e := &pipeline.Error{Fault: pipeline.FaultUsage, Path: d.where, What: "the store of files can't be used: " + plain(err), Err: err}
	var dns *net.DNSError
	switch {
	case d.root != "":
		e.Fault, e.Hint = pipeline.FaultOutput, "is the shared folder mounted?"
	case errors.Is(err, errNoKeys):
	case code(err) == "NoSuchBucket", status(err) == 301:
		e.Hint = "is the address right?"
	case status(err) == 401, status(err) == 403:
		e.Hint = "are the credentials right?"
	case errors.As(err, &dns) && dns.IsNotFound:
		e.Hint = "is the address right?"
	case worthwhile(err):
		e.Fault, e.Hint = pipeline.FaultOutput, "is it running? Try again"
	default:
		e.Hint = "is the address right?"
	}
	return e
}

// unknown are what servers call keys that they don't know at all, or can't check:
// no right of theirs is missing.
var unknown = []string{"InvalidAccessKeyId", "SignatureDoesNotMatch", "ExpiredToken", "InvalidToken", "InvalidClientTokenId", "RequestTimeTooSkewed", "AuthorizationHeaderMalformed"}

// refused tells that a store does not allow what was tried.
func refused(err error) bool {
	if slices.Contains(unknown, code(err)) || code(err) == "NoSuchBucket" {
		return false
	}
	return status(err) == 403 || status(err) == 401 || status(err) == 405 || code(err) == "AccessDenied"
}

// probeKey is the same for every check of a machine, so that what can't be removed
// lies below one key: of a bucket that keeps versions each check adds some.
func probeKey() string {
	host, _ := os.Hostname()
	sum := sha256.Sum256([]byte(host))
	return ProbeDir + "/" + hex.EncodeToString(sum[:6])
}

const probeText = "tapeline check\n"

func (d *Depot) tryBucket(ctx context.Context, f *Facts) error {
	f.Bucket = true
	o := d.s3.Options()
	f.Open = o.EndpointOptions.DisableHTTPS || strings.HasPrefix(aws.ToString(o.BaseEndpoint), "http://")
	// try notes what is refused; other trouble ends it.
	try := func(r Right, err error) (bool, error) {
		if err != nil && refused(err) {
			f.refuse(r)
			return false, nil
		}
		return err == nil, err
	}
	out, err := d.s3.ListObjectsV2(ctx, &s3.ListObjectsV2Input{Bucket: &d.name, Prefix: &d.prefix, MaxKeys: aws.Int32(1)})
	if err == nil {
		server, ok := awsmiddleware.GetServerTime(out.ResultMetadata)
		at, ok2 := awsmiddleware.GetResponseAt(out.ResultMetadata)
		if ok && ok2 {
			f.Ahead = server.Sub(at).Round(time.Second) // it tells whole seconds
		}
	}
	lists, err := try(MayList, err)
	if err != nil {
		return err
	}
	once := false // it keeps no earlier versions
	if v, err := d.s3.GetBucketVersioning(ctx, &s3.GetBucketVersioningInput{Bucket: &d.name}); err == nil {
		f.Versions, once = v.Status != "", v.Status == ""
	}
	key := probeKey()
	_, err = d.versions(ctx, key)
	listsVersions, err := try(MayListVersions, err)
	if err != nil {
		return err
	}
	if _, err = try(MayListUploads, d.abort(ctx, key, time.Time{})); err != nil { // looks, removes none
		return err
	}

	sum := sha256.Sum256([]byte(probeText))
	e := entry{Size: int64(len(probeText)), SHA256: hex.EncodeToString(sum[:])}
	err = d.write(ctx, key, strings.NewReader(probeText), e)
	if err != nil && !refused(err) {
		f.Left = d.sweepProbe(ctx, key) // an answer may have been lost
		return err
	}
	if wrote, _ := try(MayWrite, err); !wrote {
		f.Untried = append(f.Untried, MayRead, MayRemove, MayRemoveVersion)
		return nil
	}
	tmp, err := os.CreateTemp("", fetching+"*")
	if err != nil {
		return err
	}
	defer os.Remove(tmp.Name())
	defer tmp.Close()
	said, got, rerr := d.fetch(ctx, key, tmp)
	if rerr == nil && (said != e.SHA256 || got.SHA256 != e.SHA256) {
		rerr = errNoSum
	}
	reads, rerr := try(MayRead, rerr)
	if rerr == nil && reads && lists {
		var all []stored
		if all, rerr = d.objects(ctx, key); rerr == nil && !slices.ContainsFunc(all, func(o stored) bool { return o.key == key }) {
			rerr = errors.New("what was stored isn't listed")
		}
	}
	// It goes in any case, by all that purge and Remove do: in all its versions, as
	// what lies there, and the mark of that.
	var perr error
	purge := func() {
		if err := d.purge(ctx, key); err != nil && refused(err) && slices.Contains(f.Refused, MayListUploads) {
			// It ends with looking for uploads, which is what may have been refused.
			if all, verr := d.versions(ctx, key); verr != nil || len(all) > 0 {
				perr = err
			}
		} else if err != nil {
			perr = err
		}
	}
	if listsVersions {
		purge()
	}
	marker := ""
	out2, derr := d.s3.DeleteObject(ctx, &s3.DeleteObjectInput{Bucket: &d.name, Key: aws.String(d.prefix + key)})
	if derr == nil {
		marker = aws.ToString(out2.VersionId)
	}
	gone, derr := try(MayRemove, derr)
	clean := gone && once
	switch {
	case listsVersions:
		purge()
		clean = clean || perr == nil
	case got.version == "" && marker == "":
		f.Untried = append(f.Untried, MayRemoveVersion)
		clean = gone // a bucket with versions names them
	default:
		known := true
		for _, id := range []string{got.version, marker} {
			if known = known && id != ""; id != "" {
				perr = cmp.Or(perr, d.drop(ctx, version{key, id}))
			}
		}
		clean = clean || known && perr == nil
	}
	_, perr = try(MayRemoveVersion, perr)
	if !clean {
		f.Left = d.sweepProbe(ctx, key)
	}
	return cmp.Or(rerr, derr, perr)
}

// sweepProbe removes what is left of a probe in whatever way is allowed, and gives
// its key if something stays or may stay. The check may have been interrupted.
func (d *Depot) sweepProbe(ctx context.Context, key string) (left string) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
	defer cancel()
	all, err := d.versions(ctx, key)
	for _, v := range all {
		if v.key == key {
			_ = d.drop(ctx, v)
		}
	}
	if err == nil {
		all, err = d.versions(ctx, key)
	}
	if err == nil && !slices.ContainsFunc(all, func(v version) bool { return v.key == key }) {
		return ""
	}
	return key
}

// tryFolder doesn't go by Put, which leaves the mark of a store that is used.
func (d *Depot) tryFolder(f *Facts) (err error) {
	root, err := os.OpenRoot(d.root)
	if err != nil {
		return f.refusedFolder(err, MayRead, MayWrite, MayList, MayRemove)
	}
	defer root.Close()
	if _, err := fs.ReadDir(root.FS(), "."); err != nil {
		f.refuse(MayList)
	}
	key := probeKey()
	name := path.Base(key)
	made := root.Mkdir(ProbeDir, 0o770)
	if made != nil && !errors.Is(made, fs.ErrExist) {
		return f.refusedFolder(made, MayWrite, MayRead, MayRemove)
	}
	defer func() {
		if made == nil {
			made = root.Remove(ProbeDir)
		}
	}()
	write := func() error {
		to, err := root.OpenFile(path.Join(ProbeDir, name+unfinished), os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
		if err != nil {
			return err
		}
		_, err = to.WriteString(probeText)
		return errors.Join(err, to.Sync(), to.Close(), root.Rename(path.Join(ProbeDir, name+unfinished), key))
	}
	if err := write(); err != nil {
		_ = root.Remove(path.Join(ProbeDir, name+unfinished))
		return f.refusedFolder(err, MayWrite, MayRead, MayRemove)
	}
	b, rerr := root.ReadFile(key)
	if rerr == nil && string(b) != probeText {
		rerr = errNoSum
	} else if rerr != nil {
		rerr = f.refusedFolder(rerr, MayRead)
	}
	if err := root.Remove(key); err != nil {
		f.Left = key
		return cmp.Or(rerr, f.refusedFolder(err, MayRemove))
	}
	return rerr
}

// refusedFolder notes a right that an error of the disk says is missing, and those
// behind it as not tried; another error is given back.
func (f *Facts) refusedFolder(err error, first Right, then ...Right) error {
	if !errors.Is(err, fs.ErrPermission) && !errors.Is(err, unix.EROFS) {
		return err
	}
	f.refuse(first)
	f.Untried = append(f.Untried, then...)
	return nil
}
