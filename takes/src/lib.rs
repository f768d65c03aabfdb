//! Files in, judged takes out: the library behind the `notefront` program.
