"""Machine + board → sketch: plan of pins and timers, the writer of the files, the compiler, the desk build."""
