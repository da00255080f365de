// Loaded before the recorder (LD_PRELOAD), takes its syncs out: a power cut must then lose more than it may.
int fsync(int file) {
  (void)file;
  return 0;
}

int fdatasync(int file) {
  (void)file;
  return 0;
}
