package dewline

import "context"

// Photos keeps the pictures of visits. What is kept is a picture and nothing else: where and when it
// was taken, by which device, and every other note of the device's is gone. It is safe for concurrent use.
type Photos interface {
	// KeepPhoto keeps a picture for a visit, and returns what the visit has to say of it. Keeping it again
	// changes nothing. What is no picture, or too large, is an *Error with code Invalid that says which.
	KeepPhoto(ctx context.Context, visit string, picture []byte) (Photo, error)
	// KeepOnly drops every picture of a visit that is none of these: what was left out is gone.
	KeepOnly(ctx context.Context, visit string, digests []string) error
	// PhotoOf returns a picture by its digest, whole or small enough for a list.
	PhotoOf(ctx context.Context, visit, digest string, small bool) ([]byte, error)
}

// MaxPhotoBytes is how large a picture may be when it comes in.
const MaxPhotoBytes = 20 << 20
