mod numbers;
mod total;
mod words;
