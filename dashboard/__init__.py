"""The screen: Streamlit pages, charts and text. Computes nothing itself."""
