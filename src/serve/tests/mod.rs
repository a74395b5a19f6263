//! Tests of the faces over real sockets.
