//! What is cloth, what is mat.
